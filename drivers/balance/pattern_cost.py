"""How long a pattern of a dialect may take to match or to refuse a line, judged from its form alone.

A regular expression that tries one way after another can take years for one line (nested quantifiers).
Here every choice of a pattern is looked at: where the next byte decides it, it costs nothing; where several
ways are open, their number multiplies the cost; where such a choice stands inside a repetition, the cost
has no bound, and the pattern is refused.
"""

from __future__ import annotations

import re
from re import _constants as op  # pyright: ignore[reportAttributeAccessIssue]
from re import _parser as parser  # pyright: ignore[reportAttributeAccessIssue]
from typing import Any

#: Steps that matching one line may take: a thousandth of a second or so.
MOST_STEPS = 100_000
_ALL = frozenset(range(256))
_CLASSES = {
    op.CATEGORY_DIGIT: rb"\d",
    op.CATEGORY_NOT_DIGIT: rb"\D",
    op.CATEGORY_SPACE: rb"\s",
    op.CATEGORY_NOT_SPACE: rb"\S",
    op.CATEGORY_WORD: rb"\w",
    op.CATEGORY_NOT_WORD: rb"\W",
}
_REPEATS = (op.MAX_REPEAT, op.MIN_REPEAT, op.POSSESSIVE_REPEAT)
_LOOKS = (op.ASSERT, op.ASSERT_NOT)


class PatternTooCostly(ValueError):
    """A pattern whose time to match cannot be bounded; the message says what would be right."""


def check_cost(pattern: re.Pattern[bytes], longest: int) -> None:
    """Raises PatternTooCostly where one line of ``longest`` bytes can take more than MOST_STEPS."""
    tree = parser.parse(pattern.pattern, pattern.flags)
    _, _, ways = _sequence(list(tree), frozenset(), longest)
    if ways * longest > MOST_STEPS:
        raise PatternTooCostly(
            f"a line can be tried in {ways:.3g} ways; let the character after each repetition be one that "
            "the repetition itself does not take"
        )


def _sequence(nodes: list[Any], follow: frozenset[int], longest: int) -> tuple[frozenset[int], bool, float]:
    """Bytes that can come first, whether it can be empty, and the ways it can be tried."""
    ways, empty = 1.0, True
    for node in reversed(nodes):
        first, can_be_empty, own = _node(node, follow, longest)
        ways *= own
        follow = first | follow if can_be_empty else first
        empty = empty and can_be_empty
    return follow, empty, ways


def _node(node: Any, follow: frozenset[int], longest: int) -> tuple[frozenset[int], bool, float]:
    kind, value = node
    if kind in (op.LITERAL, op.NOT_LITERAL, op.ANY, op.IN):
        return _bytes(kind, value), False, 1.0
    if kind is op.AT:
        return frozenset(), True, 1.0
    if kind is op.SUBPATTERN:
        return _sequence(list(value[3]), follow, longest)
    if kind is op.ATOMIC_GROUP:
        return _sequence(list(value), follow, longest)
    if kind in _LOOKS:
        _, _, ways = _sequence(list(value[1]), frozenset(), longest)
        return frozenset(), True, ways
    if kind is op.BRANCH:
        return _branch([list(arm) for arm in value[1]], follow, longest)
    if kind in _REPEATS:
        least, most, body = value
        return _repeat(least, most, body, follow, longest)
    raise PatternTooCostly(f"{str(kind).lower()} has no bounded time; write the line's form out")


def _branch(
    arms: list[list[Any]], follow: frozenset[int], longest: int
) -> tuple[frozenset[int], bool, float]:
    firsts: frozenset[int] = frozenset()
    empty, ways, clear = False, 0.0, True
    for arm in arms:
        first, can_be_empty, own = _sequence(arm, follow, longest)
        clear = clear and not first & firsts
        firsts |= first
        empty = empty or can_be_empty
        ways = max(ways, own) if clear else ways + own
    return firsts, empty, ways


def _repeat(
    least: int, most: int, body: Any, follow: frozenset[int], longest: int
) -> tuple[frozenset[int], bool, float]:
    nodes = list(body)
    most = min(int(most), longest)
    again = _sequence(nodes, frozenset(), longest)[0] if most > 1 else frozenset()
    first, empty, ways = _sequence(nodes, again | follow, longest)
    own_first = _sequence(nodes, frozenset(), longest)[0]
    if most > 1 and (ways > 1 or empty):
        raise PatternTooCostly(
            "a repetition stands inside another so that a line can be cut in many ways (nested quantifiers); "
            "write one repetition of a set of characters, such as [0-9]+"
        )
    if least == most:
        return first, empty or most == 0, ways
    # Where what is repeated and what follows begin differently, the next byte tells when it is over.
    open_ = bool(own_first & follow)
    return own_first, empty or least == 0, ways * (most - least + 1 if open_ else 1)


def _bytes(kind: Any, value: Any) -> frozenset[int]:
    """What one character of a pattern may be, capital or small: a flag may make both the same."""
    found = _written(kind, value)
    return found | {b ^ 0x20 for b in found if chr(b).isascii() and chr(b).isalpha()}


def _written(kind: Any, value: Any) -> frozenset[int]:
    if kind is op.ANY:
        return _ALL
    if kind is op.LITERAL:
        return frozenset((value,))
    if kind is op.NOT_LITERAL:
        return _ALL - {value}
    found: set[int] = set()
    negated = False
    for what, item in value:
        if what is op.NEGATE:
            negated = True
        elif what is op.RANGE:
            found.update(range(item[0], item[1] + 1))
        elif what is op.CATEGORY:
            found.update(b for b in _ALL if re.match(_CLASSES[item], bytes((b,))))
        else:
            found.add(item)
    return _ALL - found if negated else frozenset(found)
