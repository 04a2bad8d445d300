"""TOML as people type it: what lacks its quotes is named line by line, and the rest is read all the same."""

from __future__ import annotations

import re
import tomllib
from typing import Any

from ..errors import Fault, InputError

_LINE = re.compile(r"\s*([\w.-]+)\s*=\s*(.*?)\s*")
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
            mended = _quoted(lines[number]) if number is not None else None
            if number is None or mended is None or mended == lines[number]:
                shown = "" if number is None else f": {lines[number].strip()!r}"
                place = "file" if number is None else f"line {number + 1}"
                right = 'lines such as key = "value" under [table] (TOML, see the README)'
                why = re.sub(r"\s*\(at .*\)", "", str(error)).lower()
                fault = Fault(place, f"not TOML ({why}){shown}", right)
                raise InputError(source, [*faults, fault]) from None
            found = f"{lines[number].strip()} lacks its quotes"
            faults.append(Fault(f"line {number + 1}", found, f"write {mended.strip()}"))
            lines[number] = mended


def _line_of(message: str, count: int) -> int | None:
    match = _PLACE.search(message)
    number = int(match[1]) - 1 if match else count
    return number if 0 <= number < count else None


def _quoted(line: str) -> str | None:
    """The line with its value in straight quotes; None where it is no ``key = value``."""
    code, mark, comment = line.translate(_QUOTES).partition(" #")
    match = _LINE.fullmatch(code)
    if match is None or match[2][:1] in ("[", "{"):
        return None
    bare = match[2].strip("\"'")
    return f'{match[1]} = "{bare}"{mark}{comment}' if bare and '"' not in bare and "\\" not in bare else None
