"""Recorded streams: what is read, and that every fault is named with its line."""

import numpy as np
import pytest

from weighloop.analysis.errors import InputError
from weighloop.analysis.files.recording import parse_stream, read_stream

GOOD = "time_s,reading_g,stable\n0.0,12.345,1\n0.1,12.346,0\n0.2,,overload\n"


def test_units_marks_and_blanks() -> None:
    s = parse_stream(GOOD)
    assert s.time == pytest.approx([0.0, 0.1, 0.2])
    assert s.reading[:2] == pytest.approx([0.012345, 0.012346])
    assert np.isnan(s.reading[2])
    assert s.mark == ("steady", "unsteady", "overload")


def test_columns_go_by_name_and_stable_may_be_missing() -> None:
    s = parse_stream("# the disc WP-07-1\nreading_g , note, time_s\n\n1.5,a,7\n")
    assert (s.time[0], s.reading[0], s.mark[0]) == (7.0, 0.0015, None)


def test_a_byte_order_mark_and_windows_lines(tmp_path) -> None:
    path = tmp_path / "stream.csv"
    path.write_bytes(b"\xef\xbb\xbf" + GOOD.replace("\n", "\r\n").encode())
    assert len(read_stream(path)) == 3


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ("", "empty"),
        ("time,reading_g\n0,1\n", "column time_s: missing"),
        ("time_s,reading_g,time_s\n0,1,2\n", "there more than once"),
        ("time_s,reading_g\n", "no readings after the header"),
        ("time_s,reading_g\n0,1\n1,1.2.3\n", "line 3, column reading_g: '1.2.3'"),
        ("time_s,reading_g\n0,inf\n", "line 2, column reading_g: 'inf'"),
        ("time_s,reading_g\n0,1_0\n", "line 2, column reading_g: '1_0'"),
        ("time_s,reading_g\n,1\n", "line 2, column time_s: ''"),
        ("time_s,reading_g\n0,1,3\n", "line 2: 3 cells"),
        ("time_s,reading_g,stable\n0,1,perhaps\n", "line 2, column stable: 'perhaps'"),
    ],
)
def test_faults_name_line_and_remedy(text: str, message: str) -> None:
    with pytest.raises(InputError) as caught:
        parse_stream(text, "stream.csv")
    assert message in str(caught.value)
    assert "expected" in str(caught.value)


def test_every_fault_is_reported_and_a_flood_is_cut() -> None:
    with pytest.raises(InputError) as caught:
        parse_stream("time_s,reading_g\n" + "x,y\n" * 50)
    assert len(caught.value.faults) == 21
    assert "80 more faults" in str(caught.value)


def test_not_text() -> None:
    with pytest.raises(InputError, match="not UTF-8 text"):
        parse_stream(b"\xff\xfe\x00")
