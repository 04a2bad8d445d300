"""What a run predicts of its next reading, against what a whole run of the virtual bench then read."""

from dataclasses import replace

from tests.support.bench.virtual_bench import VirtualBench
from weighloop.daemon.procedure.prediction import expected_reading


def test_the_readings_of_a_run_are_predicted_by_those_before() -> None:
    bench = VirtualBench()
    bench.start(points=6)
    bench.operate()
    run = bench.run
    assert run is not None
    off = {"pair": [], "branch": []}
    for k, point in enumerate(run.points):
        so_far = replace(run, points=run.points[:k])
        step = next(s for s in run.plan if s["step"] == point["step"])
        expected = expected_reading(so_far, step)
        if expected is None:
            assert point["kind"] == "zero" or point["leg"] < 3
            continue
        off["pair" if point["leg"] >= 3 else "branch"].append(
            abs(point["value_kg"] - expected[0]) / expected[1]
        )
    assert len(off["pair"]) >= 8
    assert len(off["branch"]) >= 3
    assert max(off["pair"]) < 3
    assert sorted(off["branch"])[len(off["branch"]) // 2] < 3


def test_nothing_is_predicted_of_a_zero_or_before_there_is_a_run() -> None:
    assert expected_reading(None, None) is None
