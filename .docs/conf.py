"""Sphinx: the project's pages, its notebooks executed, the reference from the docstrings."""

import sys
from importlib.metadata import version as version_of
from pathlib import Path

sys.path.append(str(Path(__file__).parent))  # equations.py

project = "Weighloop"
author = "The Weighloop founders"
version = release = version_of("weighloop")
root_doc = "index"
extensions = ["equations", "myst_nb", "sphinx.ext.autodoc", "sphinx.ext.napoleon", "sphinx.ext.viewcode"]
exclude_patterns = [".docs/conf.py", "**.ipynb_checkpoints"]
html_math_renderer = "mathml"
html_theme = "furo"
html_title = "Weighloop"
html_show_copyright = False
html_static_path: list[str] = []

myst_enable_extensions = ["dollarmath", "colon_fence", "deflist"]
myst_heading_anchors = 3
nb_execution_mode = "cache"
nb_execution_raise_on_error = True
nb_execution_timeout = 300
nb_merge_streams = True

autodoc_typehints = "description"
autodoc_member_order = "bysource"
# Python's own lexer does not know JSON with `...`; nothing else may be amiss.
suppress_warnings = ["misc.highlighting_failure"]
