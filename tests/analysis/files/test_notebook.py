"""The notebook CSV: what is read, and that every fault is named with its place."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from tests.support.examples import examples
from tests.support.models.loops import reclaimed_bench
from weighloop.analysis.errors import InputError
from weighloop.analysis.files.notebook import COLUMNS, parse_notebook, read_notebook
from weighloop.analysis.records.readings import Readings
from weighloop.analysis.units import Measured

BENCH = reclaimed_bench()
GOOD = """gap_mm,orientation,reading_g,zero_before_g,zero_after_g,u_g,temperature_degC,time,note
30,+1,-2.431,0.001,-0.001,0.002,21.0,2026-03-14T10:00:00,first of WP-07-3
5.5,-1,12.043,,,,,2026-03-14T10:05:30,
"""


def faults(text: str) -> list[str]:
    with pytest.raises(InputError) as caught:
        parse_notebook(text, BENCH, "wp-07-3.csv")
    return [str(fault) for fault in caught.value.faults]


def test_columns_and_units():
    readings = parse_notebook(GOOD, BENCH)
    np.testing.assert_allclose(readings.gap, [30e-3, 5.5e-3])
    np.testing.assert_array_equal(readings.orientation, [1, -1])
    np.testing.assert_allclose(readings.reading, [-2.431e-3, 12.043e-3])
    np.testing.assert_allclose(readings.zero_before, [1e-6, np.nan])
    np.testing.assert_allclose(readings.u_reading, [2e-6, np.nan])
    np.testing.assert_allclose(readings.temperature, [294.15, np.nan])  # 0 degC = 273.15 K (SI brochure)
    np.testing.assert_allclose(readings.time, [0.0, 330.0])
    assert readings.note == ("first of WP-07-3", "")
    np.testing.assert_array_equal(readings.row, [1, 2])


def test_spacers_by_the_bench_file():
    readings = parse_notebook("spacers,orientation,reading_g\n0,1,-100\n12,1,-9.5\n", BENCH)
    # The bench file: contact 1.00 mm, one acetal shim 1.00 mm.
    np.testing.assert_allclose(readings.gap, [1e-3, 13e-3])
    np.testing.assert_array_equal(readings.spacers, [0, 12])


@pytest.mark.parametrize(
    "change",
    [
        lambda text: "\ufeff" + text,
        lambda text: text.replace("\n", "\r\n"),
        lambda text: text + "\n\n,,,,,,,,\n",
        lambda text: "# pump motor 7, third disc\n" + text,
        lambda text: text.replace("+1", "1").replace("-1,12", "-,12"),
        lambda text: text.replace("gap_mm,", " gap_mm ,"),
    ],
    ids=["byte-order mark", "CRLF", "blank lines", "comment", "orientation", "spaces"],
)
def test_what_is_the_same_table(change):
    same, plain = parse_notebook(change(GOOD), BENCH), parse_notebook(GOOD, BENCH)
    np.testing.assert_array_equal(same.reading, plain.reading)
    np.testing.assert_array_equal(same.orientation, plain.orientation)


def test_every_fault_at_once_with_row_and_column():
    found = faults("gap_mm,orientation,reading_g,u_g,time\nx,0,1,0,soon\n-2,+1,,0.1,\n3,+1,1e999,,\n")
    assert len(found) == 7
    for place in (
        "row 1 (line 2), column gap_mm", "row 1 (line 2), column orientation", "row 1 (line 2), column u_g",
        "row 1 (line 2), column time", "row 2 (line 3), column gap_mm", "row 2 (line 3), column reading_g",
        "row 3 (line 4), column reading_g",
    ):  # fmt: skip
        assert any(fault.startswith(place) for fault in found), place


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ("", "the file is empty"),
        ("gap_mm,orientation,reading_g\n", "none below the header"),
        ("gap,orientation,reading_g\n1,1,1\n", "'gap_mm', if that was meant"),
        ("gap_mm,orientation,reading_g,zero_befor_g\n1,1,1,0\n", "'zero_before_g', if that was meant"),
        ("gap_mm,orientation\n1,1\n", "no column 'reading_g'"),
        ("gap_mm;orientation;reading_g\n1;1;1\n", "not separated by commas"),
        ("gap_mm,gap_mm,orientation,reading_g\n1,1,1,1\n", "2 times"),
        ("gap_mm,orientation,reading_g\n1,1,1,5\n", "4 cells under 3 columns"),
        ('gap_mm,orientation,reading_g\n1,1,"1\n', "not CSV"),
        ("gap_mm,orientation,reading_g\n1,2,1\n", "+1 or -1"),
        ('gap_mm,orientation,reading_g\n"1,5",1,1\n', "'1,5'"),
        ("spacers,orientation,reading_g\n1.5,1,1\n", "whole number"),
        ("spacers,gap_mm,orientation,reading_g\n3,9,1,1\n", "3 spacers make 4 mm"),
        (
            "gap_mm,orientation,reading_g,time\n1,1,1,2026-03-14T10:00\n1,1,1,2026-03-14T10:00+01:00\n",
            "some times have a time zone",
        ),
    ],
)
def test_one_clear_message(text, says):
    assert says in "\n".join(faults(text))


def test_spacers_without_a_thickness():
    from dataclasses import replace

    bench = reclaimed_bench(gap=replace(BENCH.gap, spacer=None))
    with pytest.raises(InputError, match="thickness of one"):
        parse_notebook("spacers,orientation,reading_g\n1,1,1\n", bench)


def test_an_own_column_is_told_and_left():
    readings = parse_notebook("gap_mm,orientation,reading_g,humidity\n1,1,1,40\n", BENCH)
    (remark,) = readings.remarks
    assert (remark.code, remark.rows) == ("unknown-column", ())
    assert remark.text == "column 'humidity' is not one of the notebook's and was not read"


def test_files(tmp_path):
    path = tmp_path / "wp.csv"
    with pytest.raises(InputError, match="no such file"):
        read_notebook(path, BENCH)
    path.write_bytes(b"gap_mm,orientation,reading_g\n1,1,\xff\n")
    with pytest.raises(InputError, match="not UTF-8"):
        read_notebook(path, BENCH)
    path.write_text(GOOD, encoding="utf-8-sig")
    assert len(read_notebook(path, BENCH)) == 2


cell = st.one_of(
    st.sampled_from(["1", "+1", "-1", "12.5", "-3e-2", "", "nan", "inf", "1,5", '"', "\x00", "2026-03-14"]),
    st.text(max_size=8),
)
table = st.lists(st.lists(cell, max_size=7).map(",".join), max_size=6).map("\n".join)
header = st.lists(st.sampled_from([*COLUMNS, "shelf"]), max_size=7).map(",".join)


@pytest.mark.costly
@settings(max_examples=examples(300))
@given(st.one_of(st.text(max_size=200), st.builds(lambda h, t: h + "\n" + t, header, table)))
def test_any_text_is_readings_or_a_told_fault(text):
    try:
        readings = parse_notebook(text, BENCH)
    except InputError as error:
        told = error.faults
    else:
        told = ()
        assert isinstance(readings, Readings)
        assert np.isfinite(readings.gap).all()
        assert np.isfinite(readings.reading).all()
        assert set(readings.orientation) <= {1, -1}
    assert all(fault.place and fault.found and fault.expected for fault in told)


def test_a_lifts_height_follows_the_bench_file():
    """gap = contact + scale x height: a notebook with heights moves with a later calibration, one with gaps
    does not."""
    text = "height_mm,gap_mm,orientation,reading_g\n0,,1,-1\n10,,1,-0.5\n,5,1,-0.7\n"
    for contact, scale in ((1e-3, 1.0), (1.05e-3, 1.002)):
        gap = replace(BENCH.gap, contact=Measured(contact), scale=Measured(scale))
        found = parse_notebook(text, replace(BENCH, gap=gap))
        assert found.gap == pytest.approx([contact, contact + scale * 10e-3, 5e-3], abs=1e-12)
    with pytest.raises(InputError, match=r"row 1 \(line 2\), column height_mm"):
        parse_notebook("height_mm,orientation,reading_g\n,1,-1\n", BENCH)
