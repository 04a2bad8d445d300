"""Text out of a file, or one clear fault: what every reader of a person's file begins with."""

from __future__ import annotations

from difflib import get_close_matches
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
        right = f"a readable {what}"
        if isinstance(error, FileNotFoundError):
            found = "there is no such file"
            right = _near_name(Path(path)) or right
        raise InputError(str(path), [Fault("file", found, right)]) from None


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
