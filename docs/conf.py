"""Settings of the documentation site: built offline, warnings are errors (see README.md)."""

import os
import sys
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parent / "_ext"))
os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

import roadlog

project = "roadlog"
author = "The roadlog authors"
version = release = roadlog.__version__

extensions = [
    "myst_parser",
    "sphinx.ext.autodoc",
    "sphinx.ext.napoleon",
    "executed",
    "mathml",
    "links",
    "offline",
    "plain_docstrings",
    "room_pages",
]
exclude_patterns = ["_ext", "_templates"]
templates_path = ["_templates"]
default_role = "code"

myst_enable_extensions = ["deflist", "dollarmath"]
myst_heading_anchors = 3

autodoc_mock_imports = ["serial"]  # of the extra `adapter`, which the documentation doesn't need
autodoc_member_order = "bysource"
autodoc_typehints = "none"  # they stand in the signature's place: the docstring says shape and unit
toc_object_entries = False
napoleon_google_docstring = False
napoleon_use_ivar = True
napoleon_use_param = False
napoleon_use_rtype = False
nitpicky = True
suppress_warnings = ["ref.python"]  # the same short name in two rooms, in a field's type
nitpick_ignore_regex = [("py:.*", r"(?!roadlog\.).*|.*\._.*")]  # no other project's inventory

html_theme = "basic"
html_title = "roadlog"
html_static_path = ["_static"]
html_css_files = ["site.css"]
html_sidebars = {"**": []}
html_copy_source = False
html_show_sphinx = False
html_show_copyright = False
html_math_renderer = "mathml"
pygments_style = "bw"
