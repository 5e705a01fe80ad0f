"""Links that are right on the repository's page are right on the site too.

A link to a Markdown file of the repository outside docs/ becomes a download; one whose words are
the file's name ("see method.md") shows the page's title.
"""

import os
from pathlib import Path
from typing import Any

from docutils import nodes
from sphinx import addnodes


def resolve(app: Any, tree: nodes.document) -> None:
    """Rewrite the links of a page that was read."""
    for link in list(tree.findall(addnodes.pending_xref)):
        if link.get("refdomain") != "doc":
            continue
        file = Path(app.srcdir, f"{link['reftarget']}.md")
        if not file.is_relative_to(app.srcdir):
            target = "/" + os.path.relpath(file, app.srcdir)
            download = addnodes.download_reference(refdoc=link["refdoc"], reftarget=target)
            download += link.children
            link.replace_self(download)
        elif link.astext() == file.name:
            link["refexplicit"] = False


def setup(app: Any) -> dict[str, bool]:
    """Run before the builder collects what is to be downloaded."""
    app.connect("doctree-read", resolve, priority=400)
    return {"parallel_read_safe": True, "parallel_write_safe": True}
