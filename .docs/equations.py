"""Sphinx: equations as MathML, which a browser draws by itself; nothing is fetched from anywhere.

A font that knows how to set mathematics goes along, as not every system has one.
"""

from pathlib import Path
from shutil import copyfile
from typing import Any

import matplotlib
from docutils import nodes
from latex2mathml.converter import convert

#: It has OpenType's MATH table, which says where an index goes.
FONT = Path(matplotlib.get_data_path()) / "fonts" / "ttf" / "DejaVuSerif.ttf"
STYLE = """@font-face { font-family: "Equations"; src: url("equations.ttf"); }
math {
  font-family: "Cambria Math", "STIX Two Math", "Latin Modern Math", "DejaVu Math TeX Gyre", "Equations";
  font-size: 1.1em;
}
div.math { margin: 1rem 0; overflow-x: auto; }
"""


def inline(self: Any, node: nodes.math) -> None:
    """An equation within a line."""
    self.body.append(convert(node.astext()))
    raise nodes.SkipNode


def displayed(self: Any, node: nodes.math_block) -> None:
    """An equation by itself."""
    self.body.append(f'<div class="math">{convert(node.astext(), display="block")}</div>')
    raise nodes.SkipNode


def style(app: Any, exception: Exception | None) -> None:
    """The style and the font beside the others."""
    if exception is None:
        static = Path(app.outdir) / "_static"
        copyfile(FONT, static / "equations.ttf")
        (static / "equations.css").write_text(STYLE, encoding="utf-8")


def setup(app: Any) -> dict[str, bool]:
    """Sphinx's way in."""
    app.add_html_math_renderer("mathml", (inline, None), (displayed, None))
    app.add_css_file("equations.css")
    app.connect("build-finished", style)
    return {"parallel_read_safe": True, "parallel_write_safe": True}
