"""A run with a lift ends with a homing: no reading counts whose height none confirmed."""

from __future__ import annotations

from itertools import pairwise

import pytest

from tests.support.bench.virtual_bench import BENCH_TEXT, TURNER, VirtualBench
from weighloop.daemon.procedure.plan import make_plan
from weighloop.daemon.store.readings_table import readings_of

UNTIL = "readings cannot help"


def begun(*, unattended: bool) -> VirtualBench:
    """Three readings from the end of the ascending branch's way out, the last of a sparse run."""
    text = BENCH_TEXT.format(ladder="lift") + TURNER
    bench = VirtualBench()
    bench.controller.planner.hear = lambda *_: None  # type: ignore[method-assign]
    bench.begin(make_plan(text, None, until=UNTIL), text, unattended=unattended)
    bench.operate(stop=lambda: bench.run is not None and bench.run.done >= len(bench.run.steps) - 3)
    return bench


@pytest.mark.costly
def test_the_last_homing_confirms_the_last_passages() -> None:
    bench = begun(unattended=False)
    bench.operate()
    assert bench.run is not None
    assert bench.run.state == "finished"
    assert bench.run.unchecked == ()
    assert bench.mover.moves[-1] == "establish"
    homings = [i for i, move in enumerate(bench.mover.moves) if move == "establish"]
    assert len(homings) == 3  # at the start, before the turn, at the end
    assert all(b - a > 1 for a, b in pairwise(homings))


@pytest.mark.costly
@pytest.mark.parametrize("lost", [0.04e-3, None])
def test_steps_that_it_finds_lost_cost_the_branch_which_is_walked_again(lost: float | None) -> None:
    """So does a lift that has kept no count of them."""
    bench = begun(unattended=True)
    bench.lost = lost
    bench.operate()
    assert bench.run is not None
    assert bench.run.state == "finished"
    assert bench.run.unchecked == ()
    aside = [p for p in bench.run.points if p["set_aside"]]
    assert {p["leg"] for p in aside} >= {2, 3}
    assert any(("steps were lost" if lost else "lost its count") in (p["set_aside"] or "") for p in aside)
    for leg in (2, 3):
        planned = {s["height_m"] for s in bench.run.plan if s["leg"] == leg and s["kind"] == "point"}
        used = {p["height_m"] for p in bench.run.points if p["leg"] == leg and not p["set_aside"]}
        assert used == planned
    assert len(readings_of(bench.store.run(1))) > 0


@pytest.mark.costly
def test_attended_it_is_held_and_the_readings_are_set_aside() -> None:
    bench = begun(unattended=False)
    bench.lost = 0.04e-3
    bench.operate()
    assert bench.run is not None
    assert (bench.run.state, bench.run.code) == ("held", "lift")
    assert "steps were lost" in bench.run.why
    assert not any(p["leg"] == 3 for p in bench.run.points if not p["set_aside"])
