"""Whatever bytes a file holds, a verb answers with figures or with a reason in words: never a traceback."""

from __future__ import annotations

from pathlib import Path

import pytest
from click.testing import CliRunner
from hypothesis import HealthCheck, example, given, settings
from hypothesis import strategies as st

from tests.support import EXAMPLES
from tests.support.examples import examples
from weighloop.tui.cli import weighloop

NOTEBOOK, BENCH = EXAMPLES / "wp-07-1.csv", EXAMPLES / "wp-07-1.toml"

#: The example's own lines, cut, doubled, swapped and with bytes changed: close enough to get far in.
often = settings(
    max_examples=examples(60),
    suppress_health_check=[HealthCheck.too_slow, HealthCheck.function_scoped_fixture],
)


def spoilt(path: Path, lines: int = 14) -> st.SearchStrategy[bytes]:
    """The beginning of a good file with a few bytes changed, taken out or put in."""
    start = b"\n".join(path.read_bytes().split(b"\n")[:lines]) + b"\n"
    place = st.integers(0, len(start) - 1)
    change = st.tuples(
        place, st.integers(0, 6), st.binary(max_size=5) | st.sampled_from([b",", b"-", b"e9", b'"'])
    )

    def change_all(changes: list[tuple[int, int, bytes]]) -> bytes:
        content = start
        for at, gone, new in changes:
            content = content[:at] + new + content[at + gone :]
        return content

    return st.lists(change, min_size=1, max_size=4).map(change_all)


def answered(*words: str) -> None:
    result = CliRunner().invoke(weighloop, words)
    assert result.exit_code in (0, 1), result.output
    said = result.stderr
    assert "Traceback" not in said
    assert "unforeseen" not in said, said
    if result.exit_code == 1:
        assert said.startswith("weighloop: ")
        assert not result.stdout


@often
@given(st.binary(max_size=200) | spoilt(NOTEBOOK))
@example(b"gap_mm,orientation,reading_g\n1,1,1e308\n2,1,-1e308\n")
@example(b"gap_mm,orientation,reading_g\n0,1,0\n0,1,0\n0,-1,0\n")
@pytest.mark.parametrize("tolerant", [(), ("--tolerant",)], ids=["strict", "tolerant"])
def test_notebook(tmp_path: Path, tolerant: tuple[str, ...], content: bytes) -> None:
    path = tmp_path / "n.csv"
    path.write_bytes(content)
    answered("figures", str(path), "--bench", str(BENCH), "--method", "mean", "--trials", "100", *tolerant)


@often
@given(st.binary(max_size=200) | st.text(max_size=200).map(str.encode) | spoilt(BENCH, 40))
@example(b"a = " + b"[" * 5000)
@example(b"spacers = " + b"9" * 5000)
@example(b"[sample]\nshape = {}\n")
def test_bench_file(tmp_path: Path, content: bytes) -> None:
    path = tmp_path / "b.toml"
    path.write_bytes(content)
    answered("field", "--bench", str(path), "--gap", "3mm", "--json")


@often
@given(st.binary(max_size=200) | spoilt(BENCH, 40))
def test_plan(tmp_path: Path, content: bytes) -> None:
    path = tmp_path / "b.toml"
    path.write_bytes(content)
    answered("plan", "--bench", str(path), "--points", "3", "--json")


STREAM = b"time_s,reading_g,stable\n" + b"".join(b"%d,12.34%d,1\n" % (k, k % 3) for k in range(12))


@often
@given(
    st.binary(max_size=200)
    | st.integers(0, 200).flatmap(
        lambda k: st.binary(max_size=9).map(lambda new: STREAM[:k] + new + STREAM[k:])
    )
)
def test_stream(tmp_path: Path, content: bytes) -> None:
    path = tmp_path / "s.csv"
    path.write_bytes(content)
    answered("settle", str(path), "--resolution", "1mg", "--json")


PROBE = b"height_mm,B_mT,u\n0,380,1\n1,330,1\n2,290,1\n4,220,1\n6,170,1\n9,110,1\n13,65,1\n"


@often
@given(
    st.binary(max_size=200)
    | st.integers(0, 80).flatmap(
        lambda k: st.binary(max_size=9).map(lambda new: PROBE[:k] + new + PROBE[k + len(new) :])
    )
)
def test_calibration_table(tmp_path: Path, content: bytes) -> None:
    path = tmp_path / "c.csv"
    path.write_bytes(content)
    answered("calibrate", str(path), "--bench", str(BENCH), "--from", "probe", "--json")
