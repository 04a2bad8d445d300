"""Text out of a file, or one clear fault: what every reader of a person's file begins with."""

from __future__ import annotations

from pathlib import Path

from ..errors import Fault, InputError


def read_text(path: str | Path, what: str) -> str:
    """The text of the UTF-8 file at ``path``, a byte-order mark taken off.

    ``what`` says what was wanted ("bench file"). Raises InputError for a file that cannot be read or
    is not UTF-8.
    """
    return decoded(read_bytes(path, what), str(path), what)


def read_bytes(path: str | Path, what: str) -> bytes:
    """The content of the file at ``path``; raises InputError where there is none to read."""
    try:
        return Path(path).read_bytes()
    except (OSError, ValueError) as error:  # ValueError: a name no file can have, such as one with a NUL
        found = getattr(error, "strerror", None) or str(error)
        raise InputError(str(path), [Fault("file", found, f"a readable {what}")]) from None


def decoded(content: bytes, source: str, what: str) -> str:
    """``content`` as text; raises InputError naming the first byte that is not UTF-8."""
    try:
        return content.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        place = f"byte {error.start + 1}"
        raise InputError(source, [Fault(place, "not UTF-8 text", f"a {what} saved as UTF-8")]) from None
