"""Pages from their templates, and where they and drawings go: whole or not at all, never through a link."""

from __future__ import annotations

import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from importlib.resources import files
from pathlib import Path
from typing import Any

from ..errors import Fault, InputError, NotPossible


def page_file(path: str | Path) -> Path:
    """``path``, which must be named as an HTML file or a PDF: a page in a file of another name serves
    nobody."""
    path = Path(path)
    if path.suffix.lower() not in (".html", ".htm", ".pdf"):
        named = f"named {path.name!r}" if path.suffix else f"named {path.name!r}, without an ending"
        example = path.with_suffix(".html").name if path.name else "x.html"
        right = f"a name ending in .html or .pdf, such as {example}"
        raise InputError(str(path), [Fault("output", named, right)])
    return path


def filled(template: str, **values: Any) -> str:
    """The page that one of this room's templates makes of ``values``, with the style sheet of all pages."""
    import jinja2

    environment = jinja2.Environment(
        autoescape=True, undefined=jinja2.StrictUndefined, loader=jinja2.FunctionLoader(_text)
    )
    return environment.get_template(template).render(css=style_sheet(), **values)


def style_sheet() -> str:
    """The style of all pages."""
    return _text("page.css")


def _text(name: str) -> str:
    return files(__package__ or "").joinpath(name).read_text(encoding="utf-8")


def write_page(path: Path, html: str) -> None:
    """Write a page, as PDF on A4 where ``path`` ends so (WeasyPrint), whole or not at all: a reader never
    sees half a page, and a link is not followed. What is no letter (of a file's name) is shown by its
    code."""
    html = html.encode("utf-8", "backslashreplace").decode()
    with whole_file(path) as unfinished:
        if path.suffix.lower() == ".pdf":
            HTML = _layout()
            HTML(string=html).write_pdf(unfinished)
        else:
            unfinished.write_text(html, encoding="utf-8")


def _layout() -> Any:
    """WeasyPrint's document. Raises NotPossible where the system lacks the Pango library that it lays text
    with."""
    try:
        from weasyprint import HTML
    except OSError as error:
        raise NotPossible(
            "A PDF needs the Pango library, which this machine has not (Debian: apt-get install "
            "libpango-1.0-0 libpangoft2-1.0-0). Write .html and print it from a browser."
        ) from error
    return HTML


@contextmanager
def whole_file(path: Path) -> Iterator[Path]:
    """A path to write to, in a folder of its own beside ``path``; at the end the file is moved there."""
    with tempfile.TemporaryDirectory(prefix=".part-", dir=path.parent) as folder:
        yield (unfinished := Path(folder) / path.name)
        unfinished.replace(path)
