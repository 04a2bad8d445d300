"""TOML as people type it: what lacks its quotes is named line by line, and the rest is read all the same."""

from __future__ import annotations

import re
import tomllib
from typing import Any

from ..errors import Fault, InputError

_LINE = re.compile(r"\s*([\w.-]+)\s*=\s*(.*?)\s*")
_COLON = re.compile(r"\s*([\w.-]+)\s*:\s*(.*?)\s*")
_OPEN_TABLE = re.compile(r"\s*\[?([\w.-]+)\]?\s*")
_RIGHT = 'lines such as key = "value" under [table] (TOML, see the README)'
_PLACE = re.compile(r"\(at line (\d+)")
_QUOTES = str.maketrans("“”„«»", '"' * 5)


def read_tables(text: str, source: str) -> tuple[dict[str, Any], list[Fault]]:
    """The tables of ``text``, and its faults that could be seen past: values without their quotes.

    Raises InputError where the text cannot be made sense of at all.
    """
    lines, faults = text.splitlines(), list[Fault]()
    while True:
        try:
            return tomllib.loads("\n".join(lines) + "\n"), faults
        except (
            ValueError,
            RecursionError,
        ) as error:  # the parser's own, a number too long, brackets too deep
            number = _line_of(str(error), len(lines))
            mended, what = (None, "") if number is None else _mended(lines[number])
            if number is None or mended is None or mended == lines[number]:
                raise InputError(source, [*faults, _not_toml(lines, number, str(error))]) from None
            found = f"{lines[number].strip()} {what}"
            faults.append(Fault(f"line {number + 1}", found, f"write {mended.strip()}"))
            lines[number] = mended


def _not_toml(lines: list[str], number: int | None, error: str) -> Fault:
    """What cannot be seen past, in the words of whoever typed it where they are known."""
    if number is None:
        return Fault("file", f"not TOML ({_plain(error)})", _RIGHT)
    place, line = f"line {number + 1}", lines[number].strip()
    if "twice" in error and line.startswith("["):
        return Fault(place, f"the table {line} stands twice", f"all its lines under one {line}")
    if "overwrite" in error and (match := _LINE.fullmatch(line)):
        return Fault(place, f"{match[1]} stands twice in its table", f"one line {match[1]} = ...")
    if line.count(",") > 1 and "=" not in line:
        found = f"comma-separated values, as in a notebook: {line!r}"
        return Fault(place, found, "the bench file here, and the notebook as INPUT")
    return Fault(place, f"not TOML ({_plain(error)}): {line!r}", _RIGHT)


def _plain(error: str) -> str:
    return re.sub(r"\s*\(at .*\)", "", error).lower()


def _line_of(message: str, count: int) -> int | None:
    match = _PLACE.search(message)
    number = int(match[1]) - 1 if match else count
    return number if 0 <= number < count else None


def _mended(line: str) -> tuple[str | None, str]:
    """The line as it was probably meant, and what was wrong with it; None where that is not clear."""
    if (match := _COLON.fullmatch(line)) and "=" not in line:
        return _quoted(f"{match[1]} = {match[2]}"), "has a colon for the ="
    if (match := _OPEN_TABLE.fullmatch(line)) is not None:
        return f"[{match[1]}]", "lacks its bracket"
    return _quoted(line), "lacks its quotes"


def _quoted(line: str) -> str | None:
    """The line with its value in straight quotes; None where it is no ``key = value``."""
    code, mark, comment = line.translate(_QUOTES).partition(" #")
    match = _LINE.fullmatch(code)
    if match is None or match[2][:1] in ("[", "{"):
        return None
    bare = match[2].strip("\"'")
    return f'{match[1]} = "{bare}"{mark}{comment}' if bare and '"' not in bare and "\\" not in bare else None
