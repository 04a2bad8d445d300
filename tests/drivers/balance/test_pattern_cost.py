"""Patterns of dialects: what can take long is refused by its form, and what is let in never takes long."""

from __future__ import annotations

import re
import signal
import sys
import time
from types import FrameType

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from tests.support.examples import examples
from weighloop.drivers.balance.dialects import load_dialect, names
from weighloop.drivers.balance.pattern_cost import PatternTooCostly, check_cost

LONGEST = 80


@pytest.mark.parametrize(
    "pattern",
    [
        *(
            r"(a+)+b",
            r"([0-9]+)*x",
            r"(a|a)*b",
            r"(?:a?){30}a{30}",
            r".*.*.*.*x",
            r"([0-9]*,?)*;",
            r"(a*?)*?b",
        ),
        *(
            r"(\w+\s?)*$",
            r"(a*)*",
            r"(?:a{1,3}){1,30}b",
            r"((a|b)+c?)+d",
            r"(?=(a+)+b)a",
            r"(?i:a|A)*(?i:A*)*",
        ),
        *(r"(?P<x>a)(?P=x)", r"(a)?(?(1)b|c)", r"((?:ab|a)(?:b|))+c", r"(?i)a*A*a*A*a*A*b"),
    ],
)
def test_what_can_take_years_is_refused(pattern: str) -> None:
    with pytest.raises(PatternTooCostly):
        check_cost(re.compile(pattern.encode()), LONGEST)


@pytest.mark.parametrize(
    "pattern",
    [
        *(r"[0-9]+", r" *-?[0-9]+\.[0-9]+ g", r"(?:[0-9]+,)+;", r"ST|US", r".*x", r".{0,10}.{0,10}"),
        *(r"[+-]? *[0-9]{1,8}(\.[0-9]{1,7})?", r"\s*[0-9]+\s*g\s*", r"(?:ab|cd)+e", r"(a|ab)*c"),
    ],
)
def test_what_a_line_needs_is_let_in(pattern: str) -> None:
    check_cost(re.compile(pattern.encode()), LONGEST)


def test_the_shipped_dialects_cost_little() -> None:
    for name in names():
        dialect = load_dialect(name)
        for form in dialect.forms:
            check_cost(form.pattern, dialect.longest)


PIECES = st.recursive(
    st.sampled_from(["a", "b", "[ab]", ".", "[^a]", r"\w", "(?i:a)", "$", ""]),
    lambda inner: st.one_of(
        st.tuples(inner, inner).map("".join),
        st.tuples(inner, inner).map(lambda pair: f"(?:{pair[0]}|{pair[1]})"),
        st.tuples(inner, st.sampled_from(["*", "+", "?", "{2}", "{1,3}", "{0,40}", "*?"])).map(
            lambda pair: f"(?:{pair[0]}){pair[1]}"
        ),
        inner.map(lambda piece: f"(?={piece})"),
    ),
    max_leaves=9,
)


@pytest.mark.skipif(sys.platform == "win32", reason="needs an alarm")
@settings(max_examples=examples(400))
@given(PIECES, st.sampled_from(["a", "b", "ab", "aab", "aB"]), st.sampled_from(["", "!", "c"]))
def test_whatever_is_let_in_is_soon_done(pattern: str, unit: str, end: str) -> None:
    """On the lines that are the worst for a search: one sort of characters, and an end that does not fit."""
    try:
        compiled = re.compile(pattern.encode())
        check_cost(compiled, LONGEST)
    except (PatternTooCostly, re.error):
        return
    line = (unit * LONGEST)[: LONGEST - len(end)].encode() + end.encode()

    def too_long(number: int, frame: FrameType | None) -> None:
        raise AssertionError(f"{pattern!r} was let in and takes long on {line!r}")

    before = signal.signal(signal.SIGVTALRM, too_long)
    signal.setitimer(signal.ITIMER_VIRTUAL, 0.5)
    try:
        began = time.process_time()
        compiled.fullmatch(line)
        assert time.process_time() - began < 0.5
    finally:
        signal.setitimer(signal.ITIMER_VIRTUAL, 0)
        signal.signal(signal.SIGVTALRM, before)
