"""One line of the lift protocol, taken apart as strictly as the protocol page asks."""

from __future__ import annotations

import re
from dataclasses import dataclass

_LINE = re.compile(
    r"N(0|[1-9]\d{0,5}) ([GM])(0|[1-9]\d{0,5})((?: [ZFRPSKAI](?:0|[1-9]\d{0,5})(?:\.\d{1,3})?)*)"
)
#: Which letters each word needs: all of them, no other; after a stroke another choice.
_NEEDS = {("G", 0): "Z/A", ("G", 1): "ZF", ("G", 60): "ZFR", ("G", 4): "P", ("M", 110): "K"}
_NEEDS |= {("M", 155): "S", ("M", 113): "S", ("M", 211): "Z", ("M", 212): "Z"}
_NEEDS |= {("M", 3): "S", ("M", 4): "S", ("M", 5): "", ("M", 213): "IR"}
_NEEDS |= {("G", code): "" for code in (21, 28, 90)}
_NEEDS |= {("M", code): "" for code in (17, 18, 105, 114, 115, 400, 999)}


@dataclass
class Words:
    """One intact line: its number and check, the word, and its values (Z, F, R, A, I in thousandths)."""

    number: int
    check: int
    kind: str
    code: int
    values: dict[str, int]


def steps(um: int) -> int:
    """Micrometres to steps (1600 to the millimetre), rounded."""
    return (um * 8 + 2) // 5


def taken_apart(text: str, check: int) -> tuple[Words, str]:
    """An intact line's words, and why it cannot be obeyed ("" where it can)."""
    match = _LINE.fullmatch(text)
    if match is None or not 1 <= int(match[1]) <= 65535 or int(match[3]) > 999:
        number = re.match(r"N([1-9]\d{0,4}) ", text)
        return Words(int(number[1]) if number and int(number[1]) <= 65535 else 0, check, "", 0, {}), "syntax"
    words = Words(int(match[1]), check, match[2], int(match[3]), {})
    for word in match[4].split():
        whole, _, part = word[1:].partition(".")
        if word[0] in words.values or (part and word[0] in "KPS"):
            return words, "syntax"
        scale = 1000 if word[0] in "ZFRAI" else 1
        words.values[word[0]] = int(whole) * scale + (int(part.ljust(3, "0")) if part else 0)
        if scale == 1 and words.values[word[0]] > 65535:
            return words, "syntax"
    needs = _NEEDS.get((words.kind, words.code))
    if needs is None:
        return words, "unsupported"
    letters = sorted(words.values)
    return words, "" if any(sorted(choice) == letters for choice in needs.split("/")) else "syntax"
