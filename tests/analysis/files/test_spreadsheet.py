"""The tolerant reader: every guess is named, what can be read in two ways is refused."""

from __future__ import annotations

import csv
import io
import tempfile
from pathlib import Path

import numpy as np
import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st

from tests.support.examples import examples
from tests.support.models.loops import reclaimed_bench
from weighloop.analysis.errors import InputError
from weighloop.analysis.files.spreadsheet import read_tolerant
from weighloop.analysis.records.bench import Bench
from weighloop.analysis.records.readings import Readings

BENCH = reclaimed_bench()


def parse_tolerant(text: str, bench: Bench) -> tuple[Readings, list[str]]:
    """A notebook's text, read from a file as a person's is."""
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "notebook.csv"
        path.write_bytes(text.encode())
        return read_tolerant(path, bench)


def test_a_spreadsheet_with_decimal_commas():
    text = (
        "sep=;\nAir gap (mm);Orientation;Reading (mg);Zero before [mg];Date;Remarks\n"
        "30,0;up;-2431,5;0,5;14.03.2026 10:05;WP-07-1\n5,5;down;\u221212 043,0;;14.03.2026 10:09;\n"
    )
    readings, guesses = parse_tolerant(text, BENCH)
    np.testing.assert_allclose(readings.gap, [30e-3, 5.5e-3])
    np.testing.assert_array_equal(readings.orientation, [1, -1])
    np.testing.assert_allclose(readings.reading, [-2.4315e-3, -12.043e-3])
    np.testing.assert_allclose(readings.zero_before, [0.5e-6, np.nan])
    np.testing.assert_allclose(readings.time, [0.0, 240.0])
    for told in (
        "columns are separated by semicolons",
        "the decimal mark is the comma",
        "column 'Air gap (mm)' read as gap_mm",
        "orientation: up read as +1, down as -1",
        "dates are written day.month.year",
    ):
        assert told in guesses


def test_the_strict_form_needs_no_guess():
    _, guesses = parse_tolerant("gap_mm,orientation,reading_g\n30,+1,-2.431\n", BENCH)
    assert guesses == []


def test_tabs_units_in_cells_and_no_units():
    text = "distance\tn\torientation\tweight\n\t12\t+\t-9.5 g\n\t11\t+\t-10500 mg\n"
    with pytest.raises(InputError):
        parse_tolerant(text.replace("\tn\t", "\tn\tn\t", 1), BENCH)
    readings, guesses = parse_tolerant(text, BENCH)
    np.testing.assert_allclose(readings.reading, [-9.5e-3, -10.5e-3])
    np.testing.assert_allclose(readings.gap, [13e-3, 12e-3])
    assert "column 'weight' has no unit; read in g" in guesses
    assert "units behind the numbers are followed cell by cell" in guesses


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ("gap_mm;orientation;reading_g\n30;1;1,234\n", "may be 1234 or 1.234"),
        ("gap_mm;orientation;reading_g\n30;1;1.234\n", "may be 1234 or 1.234"),
        ("gap_mm,orientation,reading_g\n30,1,1,25\n", "4 cells under 3 columns"),
        ("gap_mm;orientation;reading_g\n30,5;1;1.25\n", "one decimal mark throughout"),
        ("Motor discs\nunit;unit\n30;1\n", "names no columns"),
        ("gap;orientation;reading\nmm;;furlong\n30;1;0.5\n", "'furlong'"),
        ("gap (furlong);orientation;reading_g\n3;1;1\n", "unit 'furlong'"),
        ("gap_mm,orientation,reading_g,time\n3,1,1,03/04/2026\n", "may be 2026-04-03 or 2026-03-04"),
        ("gap_mm,gap (cm),orientation,reading_g\n3,1,1,1\n", "a second column for gap"),
        ("alpha,beta\n1,2\n", "names no columns"),
        ("", "empty"),
        ("gap_mm,orientation,reading_g\n3,1,heavy\n", "'heavy'"),
    ],
)
def test_refused_with_the_reason(text, says):
    with pytest.raises(InputError) as caught:
        parse_tolerant(text, BENCH)
    assert says in str(caught.value)


def test_a_title_above_and_units_below_the_header():
    text = (
        "Reclaimed discs, March;;;\nWP-07-1;;;\n\n"
        "Gap;Orientation;Reading;Remarks\nmm;;mg;\n30,5;1;-1.234,5;cold\n5;-1;0,5;\n"
    )
    readings, guesses = parse_tolerant(text, BENCH)
    np.testing.assert_allclose(readings.gap, [30.5e-3, 5e-3])
    np.testing.assert_allclose(readings.reading, [-1.2345e-3, 0.5e-6])
    assert readings.note == ("cold", "")
    assert "2 lines above the header left out" in guesses
    assert "the row below the header has the units" in guesses


def test_three_decimals_are_decimals_where_another_number_shows_the_mark():
    readings, _ = parse_tolerant("gap_mm;orientation;reading_g\n30;1;1.234\n5.5;1;0.5\n", BENCH)
    np.testing.assert_allclose(readings.reading, [1.234e-3, 0.5e-3])


def test_grouping_commas_where_a_point_shows_it():
    readings, guesses = parse_tolerant('gap_mm,orientation,reading (mg)\n30,1,"1,234"\n20,1,2.5\n', BENCH)
    np.testing.assert_allclose(readings.reading, [1.234e-3, 2.5e-6])
    assert any("group digits" in guess for guess in guesses)


@pytest.mark.parametrize("encoding", ["utf-8-sig", "utf-16", "cp1252"])
def test_encodings(tmp_path, encoding):
    path = tmp_path / "motor.csv"
    path.write_text("gap_mm,orientation,reading_g,temperature (°C)\n30,1,-2.5,21\n", encoding=encoding)
    readings, guesses = read_tolerant(path, BENCH)
    assert readings.temperature[0] == pytest.approx(294.15)
    assert any("UTF-16" in g or "Windows-1252" in g for g in guesses) == (encoding != "utf-8-sig")


@settings(max_examples=examples(200))
@given(
    st.one_of(
        st.text(max_size=120),
        st.lists(st.text('0123456789.,;+-eE \t"/:gmup', max_size=30), max_size=5).map(
            lambda rows: "gap;orientation;reading (mg);time\n" + "\n".join(rows)
        ),
    )
)
def test_any_text_is_readings_or_a_told_fault(text):
    try:
        readings, guesses = parse_tolerant(text, BENCH)
    except InputError as error:
        told = [str(fault) for fault in error.faults]
    else:
        told = guesses
        assert np.isfinite(readings.reading).all()
    assert all(told)


#: How a spreadsheet writes numbers: decimal mark, mark between thousands.
WRITINGS = [(",", ""), (",", "."), (",", " "), (",", "\u202f"), (".", ""), (".", ","), (".", " ")]


def written(value: float, decimals: int, writing: tuple[str, str]) -> str:
    mark, between = writing
    whole, _, part = f"{value:,.{decimals}f}".partition(".")
    return whole.replace(",", between) + (mark + part if part else "")


NUMBERS = st.tuples(st.floats(-3000, 3000) | st.integers(-3000, 3000), st.integers(0, 4))


@settings(max_examples=examples(300))
@given(
    rows=st.lists(st.tuples(st.integers(0, 60), st.sampled_from([1, -1]), NUMBERS), min_size=1, max_size=3),
    writing=st.sampled_from(WRITINGS),
    separator=st.sampled_from(",;\t|"),
    mass=st.sampled_from([("g", 1e-3), ("mg", 1e-6), ("kg", 1.0)]),
    minus=st.sampled_from("-\u2212"),
)
def test_a_sheet_is_read_as_it_was_meant_or_refused(rows, writing, separator, mass, minus):
    """The same numbers in every way spreadsheets write them: never another value than was meant."""
    # Points between thousands and commas between columns: nobody's spreadsheet writes both.
    assume((separator, writing) != (",", (",", ".")))
    unit, size = mass
    out = io.StringIO()
    sheet = csv.writer(out, delimiter=separator)
    sheet.writerow(["gap (mm)", "orientation", f"reading ({unit})"])
    for gap, orientation, (reading, decimals) in rows:
        shown = written(reading, decimals, writing).replace("-", minus)
        sheet.writerow([str(gap), str(orientation), shown])
    try:
        readings, _ = parse_tolerant(out.getvalue(), BENCH)
    except InputError as error:
        told = str(error)
    else:
        for i, (gap, orientation, (reading, decimals)) in enumerate(rows):
            meant = (gap * 1e-3, orientation, round(reading, decimals) * size)
            found = (readings.gap[i], readings.orientation[i], readings.reading[i])
            assert found == pytest.approx(meant, rel=1e-9, abs=1e-15)
        return
    # Refused only where a number is the same text in both ways of writing.
    assert "may be" in told
