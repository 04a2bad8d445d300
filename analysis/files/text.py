"""Text out of a file, or one clear fault: what every reader of a person's file begins with."""

from __future__ import annotations

import math
import os
import re
import stat
from difflib import get_close_matches
from pathlib import Path

from ..errors import Fault, InputError

#: Largest file that is read, bytes: a month of a balance's readings fits.
LARGEST = 256 * 1024 * 1024
#: A number as a person or a program writes it: the digits 0 to 9, no blanks, no grouping.
NUMBER = re.compile(r"[+-]?(?:[0-9]+\.?[0-9]*|\.[0-9]+)(?:[eE][+-]?[0-9]+)?")


def plain_number(text: str) -> float:
    """The finite number that ``text`` is; NaN where it is none."""
    text = text.replace("−", "-", 1)  # a word processor's minus sign means the same
    value = float(text) if NUMBER.fullmatch(text) else math.nan
    return value if math.isfinite(value) else math.nan


def read_text(path: str | Path, what: str, *, regular: bool = False) -> str:
    """The text of the UTF-8 file at ``path``, a byte-order mark taken off.

    ``what`` says what was wanted ("bench file"). Raises InputError for a file that cannot be read or
    is not UTF-8. ``regular`` as for ``read_bytes``.
    """
    return decoded(read_bytes(path, what, regular=regular), str(path), what)


def read_bytes(path: str | Path, what: str, *, regular: bool = False) -> bytes:
    """The content of the file at ``path``; raises InputError where there is none to read.

    ``regular``: the name comes from a file or a folder and not from a person, so what it names must be
    a file and no device or pipe, which may never end.
    """
    try:
        with open(path, "rb", opener=_without_waiting if regular else None) as file:
            if regular and not stat.S_ISREG(os.fstat(file.fileno()).st_mode):
                raise InputError(str(path), [Fault("file", "a device or a pipe", f"a {what}")])
            content = file.read(LARGEST + 1)
    except InputError:
        raise
    except (OSError, ValueError) as error:  # ValueError: a name no file can have, such as one with a NUL
        found = getattr(error, "strerror", None) or str(error)
        right = f"a readable {what}"
        if isinstance(error, FileNotFoundError):
            found = "there is no such file"
            right = _near_name(Path(path)) or right
        raise InputError(str(path), [Fault("file", found, right)]) from None
    if len(content) > LARGEST:
        fault = Fault("file", f"larger than {LARGEST // 1024**2} MB", f"a {what}, which is smaller")
        raise InputError(str(path), [fault])
    return content


def _without_waiting(path: str, flags: int) -> int:
    """Opens also a pipe at whose other end nobody writes."""
    return os.open(path, flags | getattr(os, "O_NONBLOCK", 0))


def _near_name(path: Path) -> str | None:
    """``did you mean 'wp-07-1.toml'?`` where a file of nearly that name stands in the folder."""
    try:
        names = [entry.name for entry in path.parent.iterdir() if entry.suffix == path.suffix]
    except OSError:
        return None
    near = get_close_matches(path.name, names, 1, cutoff=0.75)
    return f"did you mean {str(path.with_name(near[0]))!r}?" if near else None


def decoded(content: bytes, source: str, what: str) -> str:
    """``content`` as text; raises InputError naming the first byte that is not UTF-8."""
    try:
        return content.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        place = f"byte {error.start + 1}"
        raise InputError(source, [Fault(place, "not UTF-8 text", f"a {what} saved as UTF-8")]) from None
