"""Quantities with units: what people write, in SI."""

from __future__ import annotations

from math import isfinite, pi

import pytest
from hypothesis import given
from hypothesis import strategies as st

from weighloop.analysis import units
from weighloop.analysis.units import Measured, parse, parse_measured


@pytest.mark.parametrize(
    ("text", "unit", "value"),
    [
        ("20 mm", "m", 0.020),
        ("5mm", "m", 0.005),
        ("1.32 T", "T", 1.32),
        ("13.2 kG", "T", 1.32),  # 1 G = 1e-4 T, Goldfarb & Fickett, NBS SP 696 (1985)
        ("1 Oe", "A/m", 1000 / (4 * pi)),  # same table
        ("1 MGOe", "kJ/m^3", 100 / (4 * pi)),  # same table: 7.9577 kJ/m3
        ("1 emu", "A*m^2", 1e-3),  # same table
        ("5 ct", "g", 1.0),  # metric carat, 200 mg: 4th CGPM (1907)
        ("21 degC", "K", 294.15),
        ("53.4 deg", "rad", 53.4 * pi / 180),
        ("412 mg", "kg", 412e-6),
        ("60s", "s", 60.0),
    ],
)
def test_parse(text: str, unit: str, value: float) -> None:
    assert parse(text, unit) == pytest.approx(value, rel=1e-12)


def test_measured() -> None:
    assert parse_measured("6.00 mm +/- 0.02 mm", "m") == Measured(pytest.approx(6e-3), pytest.approx(2e-5))
    assert parse_measured("6.00 mm ± 20 um", "m").u == pytest.approx(2e-5)
    assert parse_measured("21 degC +/- 0.5 degC", "K").u == pytest.approx(0.5)


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("20", "'20' has no unit; write \"20 mm\", if millimetres are meant"),
        ("mm", "not a number"),
        ("20 furlongs per", "not"),
        ("20 kg", "not given in mm"),
        ("1 mm +/- 1 mm +/- 1 mm", "more than one"),
        ("1 mm +/- -1 mm", "below zero"),
        ("1e400 mm", "too large"),
        ("1 mm +/- 1e308 km", "too large"),
        ("__import__('os') mm", "not a number"),
        ("", "not a number"),
        ("6,00 mm", 'decimal comma; write "6.00 mm"'),
        ("6 MM", 'write "6 mm", if that was meant'),
        ("6 mn", 'write "6 mm", if that was meant'),
        ("6 mm +/- 0.1", "after .* has no unit; write"),
    ],
)
def test_faults_are_said_in_words(text: str, words: str) -> None:
    with pytest.raises(ValueError, match=words):
        parse_measured(text, "m")


@given(st.text(max_size=30))
def test_any_text_is_a_value_or_a_fault(text: str) -> None:
    try:
        assert isfinite(parse(text, "m"))
    except ValueError as error:
        if not str(error):
            pytest.fail("a fault without words")


@pytest.mark.parametrize(
    ("unit", "name"), [(unit, name) for unit, names in units._TO_SI.items() for name in names]
)
def test_what_is_read_without_pint_is_what_pint_says(unit: str, name: str) -> None:
    """To the last bit; pint (general-purpose library) has the International System's prefixes and units."""
    for number in ("0.05", "3.3e-3", "0.132", "0.0412") + (
        ("20", "53.4", "21.7", "412") if unit != "1/K" else ()
    ):
        written = units.registry().Quantity(float(number), name).to(unit).magnitude
        assert parse(f"{number} {name}", unit) == written, number
