"""Links to Markdown files of the repository outside docs/ become downloads on the site.

So one link leads to the file on the repository's page and on the site alike.
"""

import os
from pathlib import Path
from typing import Any

from docutils import nodes
from sphinx import addnodes


def resolve(app: Any, tree: nodes.document) -> None:
    """Turn links that leave the folder of the documentation into downloads."""
    for link in list(tree.findall(addnodes.pending_xref)):
        file = Path(app.srcdir, f"{link['reftarget']}.md")
        if link.get("refdomain") == "doc" and not file.is_relative_to(app.srcdir):
            target = "/" + os.path.relpath(file, app.srcdir)
            link.replace_self(
                addnodes.download_reference(
                    "", "", *link.children, refdoc=link["refdoc"], reftarget=target
                )
            )


def setup(app: Any) -> dict[str, bool]:
    """Run before the builder collects what is to be downloaded."""
    app.connect("doctree-read", resolve, priority=400)
    return {"parallel_read_safe": True, "parallel_write_safe": True}
