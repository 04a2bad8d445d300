"""`weighloop bench`: answers in the call or a line each, a wrong one said at once, the file sound."""

from __future__ import annotations

import tomllib
from pathlib import Path

import pytest
from click.testing import CliRunner, Result

from weighloop.analysis.files.bench_file import read_bench
from weighloop.tui.bench_form import name_fault
from weighloop.tui.cli import weighloop


def bench(path: Path, *words: str, typed: str | None = None) -> Result:
    call = ["bench", str(path), "--no-listen", "--no-costs", *words]
    return CliRunner().invoke(weighloop, call, input=typed)


def test_a_bench_file_from_answers_in_the_call(tmp_path: Path) -> None:
    path = tmp_path / "b.toml"
    done = bench(path, "--defaults", "--answer", "sample.name=WP-07-9", "--answer", "sample.diameter=5 mm")
    assert done.exit_code == 0, done.output
    made = read_bench(path)
    assert made.sample.name == "WP-07-9"
    assert made.sample.diameter is not None
    assert (made.sample.diameter.value, made.sample.diameter.u) == pytest.approx((5e-3, 2e-5))  # u offered
    assert made.reference_magnet.diameter is not None
    assert made.reference_magnet.diameter.u > 0
    assert "# lift | spacers" in path.read_text() or "# cylinder | block" in path.read_text()
    assert "smallest gap 1 mm" in done.stdout  # the sketch


def test_questions_are_asked_and_a_wrong_answer_again(tmp_path: Path) -> None:
    path = tmp_path / "b.toml"
    # name: a key pressed by mistake, then a name; shape as offered; diameter: help, a comma, then right.
    done = bench(path, typed="w\nWP-07-2\n\n?\n6,2 mm\n6.2 mm\n" + "\n" * 40)
    assert done.exit_code == 0, done.output
    assert "looks like a command" in done.stderr
    assert 'decimal comma; write "6.2 mm"' in done.stderr
    assert "a calliper" in done.stderr
    assert read_bench(path).sample.name == "WP-07-2"
    assert tomllib.loads(path.read_text())["sample"]["diameter"] == "6.2 mm +/- 0.02 mm"


def test_wrong_answers_in_the_call_are_refused_and_nothing_is_written(tmp_path: Path) -> None:
    path = tmp_path / "b.toml"
    for answer, says in (
        ("sample.diametre=6 mm", "did you mean 'sample.diameter'?"),
        ("sample.diameter=6", 'write "6 mm", if millimetres are meant'),
        ("balance.dialect=status-lin", "did you mean 'status-line'?"),
        ("sample.name=?", "looks like a command"),
        ("sample.name", "write key=value"),
    ):
        refused = bench(path, "--defaults", "--answer", answer)
        assert refused.exit_code == 2
        assert says in refused.output
    assert not path.exists()


def test_a_file_that_is_there_is_checked_or_taken_over(tmp_path: Path) -> None:
    path = tmp_path / "b.toml"
    bench(path, "--defaults", "--answer", "sample.name=WP-07-1")
    before = path.read_text()
    assert bench(path, "--check").exit_code == 0
    assert path.read_text() == before
    bench(path, "--defaults", "--answer", "sample.name=WP-07-2")
    assert (tmp_path / "b.toml.before").read_text() == before
    path.write_text(before.replace('"1 mg"', '"1"'))
    assert 'write "1 mg"' in bench(path, "--check").output


@pytest.mark.parametrize("typed", ["?", "w", "q", "", " ", "quit", "--", "help"])
def test_what_is_a_command_is_no_name(typed: str) -> None:
    assert name_fault(typed)
    assert name_fault("WP-07-1") is None
    assert name_fault("7b") is None
