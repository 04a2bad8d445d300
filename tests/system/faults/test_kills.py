"""The daemon killed at random moments: what was told stays told. The long form is a benchmark."""

from pathlib import Path

from tests.benchmarks.faults.kill_runs import Killer


def test_no_told_reading_is_missing_or_doubled_after_a_kill(tmp_path: Path) -> None:
    result = Killer(tmp_path, speed=40.0, seed=9).go(kills=8, longest=3.0)
    assert result["faults"] == []
    assert result["events"] > 20
