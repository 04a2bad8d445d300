"""A run of passages broken at any moment: no reading in use was taken in another state of the sample than the
unbroken run's, and the run ends.

The state is the second model's (tests.support.models.preisach_medium): the sample is led along the true way
that the bench on paper kept, mid-move stops and turns included. Return-point memory, by which a passage may
be walked again, is a property of that medium (I. D. Mayergoyz, Phys. Rev. Lett. 56 (1986) 1518).
"""

from __future__ import annotations

import math
from functools import cache
from itertools import product

import numpy as np
import pytest

from tests.support.bench.paper_bench import PaperBench
from tests.support.bench.virtual_bench import BENCH_TEXT, TURNER
from tests.support.examples import in_turn
from tests.support.models.preisach_medium import Material
from weighloop.analysis.programmes.programme import parse_programmes, programme
from weighloop.daemon.procedure import events
from weighloop.daemon.procedure.plan import RunPlan, make_plan
from weighloop.daemon.procedure.restart import remembered
from weighloop.daemon.procedure.run import due

NAMES = ("recoil", "remanence", "reversal", "decay")
MEDIUM = Material(300e3, 110e3, 20e3)
#: Each as short as it can be and still come back to an inner turning point.
SHORT = """
[recoil]
passages = [
  {orientation = 1, from = 0, to = 1}, {orientation = 1, from = 1, to = 0},
  {orientation = -1, from = 0, to = 0.4}, {orientation = -1, from = 0.4, to = 0},
  {orientation = -1, from = 0, to = 0.7}, {orientation = -1, from = 0.7, to = 0.2},
  {orientation = -1, from = 0.2, to = 1},
]
[remanence]
passages = [
  {orientation = 1, from = 0, to = 0.4}, {orientation = 1, from = 0.4, to = 0},
  {orientation = 1, from = 0, to = 1}, {orientation = 1, from = 1, to = 0},
  {orientation = -1, from = 0, to = 0.7}, {orientation = -1, from = 0.7, to = 0},
]
[decay]
passages = [
  {orientation = 1, from = 0, to = 1}, {orientation = 1, from = 1, to = 0},
  {orientation = -1, from = 0, to = 0.5, wait_s = 600}, {orientation = -1, from = 0.5, to = 0},
]
"""


@cache
def plan(name: str, points: int = 6) -> RunPlan:
    wanted = parse_programmes(SHORT, "short").get(name) or programme(name)
    return make_plan(BENCH_TEXT.format(ladder="lift") + TURNER, points, programme=wanted)


def field(height: float, orientation: int) -> float:
    return orientation * 320e3 * math.exp(-height / 9e-3)


def magnetised(way: list[tuple[float, int]]) -> np.ndarray:
    """M (A/m) of a virgin sample at each place of a way."""
    memory, found = MEDIUM.memory(1, "virgin"), []
    for height, orientation in way:
        H = np.array([field(height, orientation)])
        memory.go(H)
        found.append(float(memory.magnetisation(H)[0]))
    return np.array(found)


@cache
def unbroken(name: str) -> dict[tuple[int, int, float], float]:
    """M at each step of the plan, by passage, orientation and height."""
    steps = [s for s in plan(name).steps if s["kind"] == "point"]
    M = magnetised([(s["height_m"] or 0.0, s["orientation"]) for s in steps])
    return {(s["leg"], s["orientation"], s["height_m"] or 0.0): m for s, m in zip(steps, M, strict=True)}


def walk(bench: PaperBench, faults: dict[int, tuple[str, float]], most: int = 4000) -> None:
    for count in range(most):
        if bench.run.state == "finished":
            return
        if count in faults:
            bench.breaks(*faults[count])
        elif not bench.ends():
            assert bench.run.state == "held", bench.stage
            bench.happen(events.TryAgain())
            if bench.run.state == "held":
                return
    raise AssertionError(f"no end: {bench.stage}")


def wrong_states(bench: PaperBench, name: str) -> list[str]:
    """Readings in use that were taken in another state than the unbroken run's, or in one that the readings
    themselves, those set aside included, do not tell."""
    M = magnetised([(place.height, place.orientation) for place in bench.path])
    told = magnetised([(p["height_m"] or 0.0, p["orientation"]) for p in bench.run.points])
    expected, faults = unbroken(name), []
    in_pairs = {number for zero in bench.run.zeros for number in (zero.id, before_it(bench, zero.id))}
    for point, by_rows in zip(bench.run.points, told, strict=True):
        place = point["leg"], point["orientation"], point["height_m"] or 0.0
        if point["set_aside"] is not None:
            continue
        found = M[bench.at[point["id"]]]
        # What leads back to a passage belongs to none, nor what is read for the zero.
        planned = expected[place] if place in expected and point["id"] not in in_pairs else found
        # How far a first magnetisation had got between two gaps no reading tells.
        first = point["leg"] <= (2 if name == "remanence" else 0) and point["id"] in in_pairs
        off = max(abs(found - planned), 0.0 if first else abs(found - by_rows))
        if off > 0.01 * MEDIUM.largest:
            faults.append(f"{place}: off by {off:.0f} A/m")
    return faults


def before_it(bench: PaperBench, number: int) -> int:
    ids = [p["id"] for p in bench.run.points]
    return ids[ids.index(number) - 1]


@pytest.mark.parametrize("name", NAMES)
def test_an_unbroken_run_reads_every_step_once_and_needs_nobody(name: str) -> None:
    bench = PaperBench(plan(name))
    walk(bench, {})
    assert bench.run.state == "finished"
    assert bench.hands == 0
    assert bench.wrong == []
    assert len(bench.run.points) == sum(s["kind"] == "point" for s in plan(name).steps)
    assert wrong_states(bench, name) == []
    assert len(bench.run.zeros) >= 2


@pytest.mark.parametrize(
    ("name", "fault"),
    in_turn(product(NAMES, ["power", "reset", "lift plug", "balance plug", "knock", "disk"])),
)
def test_broken_at_any_moment(name: str, fault: str) -> None:
    steps = [s for s in plan(name).steps if s["kind"] == "point"]
    wanted = {(s["leg"], s["orientation"], s["height_m"]) for s in steps}
    every = 3 if name != "reversal" else 17
    for moment in range(1, 2 * len(plan(name).steps) + 10, every):
        bench = PaperBench(plan(name))
        walk(bench, {moment: (fault, 0.6)})
        assert bench.run.state == "finished", (moment, bench.run.why)
        assert bench.wrong == [], moment
        assert bench.hands == 0
        assert wrong_states(bench, name) == [], moment
        used = {
            (p["leg"], p["orientation"], p["height_m"]) for p in bench.run.points if p["set_aside"] is None
        }
        # A first magnetisation whose heights nothing confirmed is not to be had twice.
        late = {place for place in wanted if place[0] > (2 if name == "remanence" else 0)}
        assert late <= used, moment


def test_a_path_is_remembered_by_its_outermost_turns() -> None:
    """Wiping-out, as I. D. Mayergoyz, Mathematical Models of Hysteresis, 1.2, has it (from memory)."""
    path = [0, 50, 100, 40, 0, -30, -60, -20, 30, 10, -10, 20, 5]
    steps = [{"H_applied_A_per_m": float(H)} for H in path]
    kept = [s["H_applied_A_per_m"] for s in remembered(steps)]  # pyright: ignore[reportArgumentType]
    assert kept == [100.0, -60.0, 30.0, -10.0, 20.0, 5.0]


def test_a_held_gap_is_read_so_long_after_its_first_reading() -> None:
    bench = PaperBench(plan("decay"))
    walk(bench, {})
    held = [s for s in plan("decay").steps if "wait_s" in s]
    assert len(held) >= 8
    assert held[-1]["wait_s"] == pytest.approx(600.0)
    first = next(p for p in bench.run.points if p["height_m"] == held[0]["height_m"] and p["leg"] == 2)
    so_far = [p for p in bench.run.points if p["id"] <= first["id"]]
    run = type(bench.run)(1, points=tuple(so_far), plan=bench.run.plan, steps=bench.run.steps)
    assert due(run, held[3]) == pytest.approx(first["time_s"] + held[3]["wait_s"])
    assert due(run, plan("decay").steps[2]) == -math.inf
