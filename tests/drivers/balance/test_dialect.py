"""Dialects: the shipped four, and a user's own file with its faults."""

from __future__ import annotations

from decimal import Decimal
from pathlib import Path

import pytest

from weighloop.drivers.balance import dialects
from weighloop.drivers.balance.dialect import DialectError, Understood
from weighloop.drivers.balance.dialects import load_dialect
from weighloop.drivers.balance.framing import CONFIRM, LineStream, Reading, RefusedLine

SHIPPED = ("ask-answer", "counted", "print-line", "status-line")


def test_the_four_are_there() -> None:
    assert set(SHIPPED) <= set(dialects.names())


# The lines of the public contract's table (and its "second letter", "unit blank" remarks).
@pytest.mark.parametrize(
    ("name", "line", "number", "unit", "mark"),
    [
        ("status-line", b"ST,+00012.345,g", "12.345", "g", "steady"),
        ("status-line", b"US,-00012.345,g", "-12.345", "g", "unsteady"),
        ("ask-answer", b"S S     12.345 g", "12.345", "g", "steady"),
        ("ask-answer", b"S D    -12.345 g", "-12.345", "g", "unsteady"),
        ("print-line", b"+   12.345 g  ", "12.345", "g", "steady"),
        ("print-line", b"-   12.345    ", "-12.345", None, "unsteady"),
    ],
)
def test_lines_of_the_contract(name: str, line: bytes, number: str, unit: str | None, mark: str) -> None:
    assert load_dialect(name).parse(line) == Understood("reading", mark, Decimal(number), unit)


def test_print_line_has_sixteen_columns() -> None:
    for line, _ in load_dialect("print-line").examples:
        assert len(line + b"\r\n") == 16


@pytest.mark.parametrize("name", SHIPPED)
def test_no_single_lost_character_passes(name: str) -> None:
    assert load_dialect(name).weakness is None


@pytest.mark.parametrize(
    ("name", "line"),
    [
        ("status-line", b"ST,+0012.345,g"),
        ("status-line", b"ST,+000012.345,g"),
        ("status-line", b"ST,+00012.345,g "),
        ("status-line", b"ST,+00012.345,q"),
        ("status-line", b"st,+00012.345,g"),
        ("status-line", b"ST,+00012345.,g"),
        ("status-line", "ST,+0001\u0662.345,g".encode()),
        ("ask-answer", b"S S    12.345 g"),
        ("ask-answer", b"S S  1  12.345 g"),
        ("ask-answer", b"S S  00012.345 g"),
        ("print-line", b"+   12.345 g "),
        ("print-line", b"+   12.345 gg "),
        ("print-line", b"+   1 .345 g  "),
        ("counted", b"W 17 12345 146b77ed"),
        ("counted", b"W 18 12345 146b77ec"),
        ("counted", b"W 17 12345"),
    ],
)
def test_near_misses_are_refused(name: str, line: bytes) -> None:
    assert isinstance(load_dialect(name).parse(line), str)


@pytest.mark.parametrize("unit", ["g", "mg", "kg", "ct"])
def test_units_against_pint(unit: str) -> None:
    """Source: pint's registry (a metric carat is 200 mg)."""
    import pint

    expected = pint.UnitRegistry().Quantity(12.345, {"ct": "carat"}.get(unit, unit)).to("kg").magnitude
    assert load_dialect("status-line").kilograms(Decimal("12.345"), unit) == pytest.approx(
        expected, rel=1e-15
    )


OWN = """
name = "own"
terminator = "\\n"
units = { N = "N" }
gravity = 9.81
[[forms]]
meaning = "reading"
pattern = '(?P<number>[+-][0-9]\\.[0-9]{4}) (?P<unit>N)'
[[examples]]
line = "+0.9810 N"
says = "0.9810 N"
"""


def own(tmp_path: Path, text: str) -> str:
    path = tmp_path / "own.toml"
    path.write_text(text, encoding="utf-8")
    return str(path)


def test_newtons_are_undone_with_the_gravity_the_balance_reckons_with(tmp_path: Path) -> None:
    heard = LineStream(load_dialect(own(tmp_path, OWN))).feed(b"+0.9810 N\n")
    assert [item.value for item in heard if isinstance(item, Reading)] == [pytest.approx(0.1, rel=1e-12)]


@pytest.mark.parametrize(
    ("change", "place"),
    [
        (("gravity = 9.81\n", ""), "gravity"),
        (("gravity = 9.81", "gravity = 10.5"), "gravity"),
        (("terminator", "terminater"), "terminator"),
        (("[0-9]{4}) ", "[0-9]{4} "), "forms.0.pattern"),
        (('N = "N"', 'N = "furlong"'), "units.N"),
        (('says = "0.9810 N"', 'says = "0.9811 N"'), "examples.0"),
        (("(?P<number>[", "(?P<weight>["), "number"),
        (('"reading"', '"overload"'), "reading"),
        (('line = "', 'line = "\u201b'), "examples.0.line: .* is no byte"),
    ],
)
def test_every_fault_names_its_place(tmp_path: Path, change: tuple[str, str], place: str) -> None:
    assert change[0] in OWN
    with pytest.raises(DialectError, match=place):
        load_dialect(own(tmp_path, OWN.replace(*change)))


def test_all_faults_at_once(tmp_path: Path) -> None:
    with pytest.raises(DialectError) as caught:
        load_dialect(own(tmp_path, OWN.replace("gravity", "gravty").replace("terminator", "ending")))
    assert len(caught.value.faults) == 3
    assert any("perhaps 'gravity'" in fault for fault in caught.value.faults)


def test_a_dialect_based_on_another_changes_the_line_only(tmp_path: Path) -> None:
    text = 'based_on = "status-line"\n[settings]\nbaud = 2400\nbytesize = 7\nparity = "even"\n'
    made = load_dialect(own(tmp_path, text))
    assert str(made.settings) == "2400 7E1"
    assert made.forms == load_dialect("status-line").forms


def test_a_line_that_can_lose_a_digit_unseen_is_told(tmp_path: Path) -> None:
    loose = OWN.replace("[0-9]\\.", "[0-9]*\\.").replace("0.9810 N", "1.9810 N")
    weakness = load_dialect(own(tmp_path, loose)).weakness
    assert weakness is not None
    assert "lost character" in weakness


def test_users_folder_goes_first(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(dialects, "user_folder", lambda: tmp_path)
    own(tmp_path, OWN)
    assert "own" in dialects.names()
    assert load_dialect("own").name == "own"
    with pytest.raises(DialectError, match=r"one of .*status-line"):
        load_dialect("no-such")


def test_a_change_of_unit_or_decimals_is_believed_only_when_repeated() -> None:
    stream = LineStream(load_dialect("status-line"))
    first = stream.feed(b"ST,+00012.345,g\r\n")
    assert isinstance(first[0], Reading)
    changed = stream.feed(b"ST,+0012.3456,g\r\n" * CONFIRM)
    assert [type(item) for item in changed] == [RefusedLine] * (CONFIRM - 1) + [Reading]
    stray = stream.feed(b"ST,+0012.3456,kg\r\nST,+0012.3456,g\r\n")
    assert [type(item) for item in stray] == [RefusedLine, Reading]


def test_a_blank_unit_is_the_last_one_named() -> None:
    stream = LineStream(load_dialect("print-line"))
    heard = stream.feed(b"+    0.100    \r\n+    0.200 g  \r\n-    0.300    \r\n")
    assert [(item.value, item.mark) for item in heard if isinstance(item, Reading)] == [
        (None, "unsteady"),  # of what? nobody has said yet
        (pytest.approx(0.2e-3), "steady"),
        (pytest.approx(-0.3e-3), "unsteady"),
    ]
