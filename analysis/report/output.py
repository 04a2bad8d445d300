"""Where pages and drawings are written: under a fitting name, whole or not at all, never through a link."""

from __future__ import annotations

import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from ..errors import Fault, InputError


def html_file(path: str | Path) -> Path:
    """``path``, which must be named as an HTML file: a page in a file of another name serves nobody."""
    path = Path(path)
    if path.suffix.lower() not in (".html", ".htm"):
        named = f"named {path.name!r}" if path.suffix else f"named {path.name!r}, without an ending"
        right = f"a name ending in .html, such as {path.with_suffix('.html').name if path.name else 'x.html'}"
        raise InputError(str(path), [Fault("output", named, f"{right}: the page is HTML")])
    return path


def write_whole(path: Path, text: str) -> None:
    """Write a file whole or not at all: a reader never sees half a page, and a link is not followed."""
    with whole_file(path) as unfinished:
        unfinished.write_text(text, encoding="utf-8")


@contextmanager
def whole_file(path: Path) -> Iterator[Path]:
    """A path to write to, in a folder of its own beside ``path``; at the end the file is moved there."""
    with tempfile.TemporaryDirectory(prefix=".part-", dir=path.parent) as folder:
        yield (unfinished := Path(folder) / path.name)
        unfinished.replace(path)
