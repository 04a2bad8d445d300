"""What is learnt of a loop while it is weighed, of the tests' own material (closed form, forces by loops of
current), and where the next readings are laid by it."""

from __future__ import annotations

from dataclasses import replace
from itertools import pairwise

import numpy as np
import pytest

from tests.support.models.loops import TanhLoop, reclaimed_bench, weighed
from weighloop.analysis.planning.replanning import Taken, learnt_loop, replanned
from weighloop.analysis.units import Measured

BENCH = reclaimed_bench()
BENCH = replace(BENCH, reference_magnet=replace(BENCH.reference_magnet, pan_load=Measured(0.3)))
MATERIAL = TanhLoop(120e3, 90e3, 9e3)  # its own field alone does not turn it over
GAPS = np.geomspace(1e-3, 26e-3, 14)


def taken(legs: int) -> list[Taken]:
    """The readings of the first passages, free of noise."""
    gap, orientation, leg, change = weighed(MATERIAL, GAPS)
    heights = gap - BENCH.gap.contact.value
    return [
        Taken(int(n), float(h), int(o), float(c))
        for n, h, o, c in zip(leg, heights, orientation, change, strict=True)
        if n < legs
    ]


def coercivity(legs: int) -> float:
    loop = learnt_loop(BENCH, taken(legs))
    assert loop is not None
    return float(-np.interp(0.0, loop.M, loop.H))


def test_nothing_is_learnt_on_the_first_passage() -> None:
    assert learnt_loop(BENCH, taken(1)) is None


def test_the_coercivity_is_learnt_where_the_sample_turns_over() -> None:
    """By volume means and a family of loops: to some per cent, enough to lay readings by."""
    assert coercivity(3) == pytest.approx(MATERIAL.coercivity, rel=0.08)
    assert coercivity(5) == pytest.approx(MATERIAL.coercivity, rel=0.08)
    # Before that a loop is as likely that turns over far beyond: its mean bends nowhere sharply.
    assert coercivity(2) > 1.2 * MATERIAL.coercivity


def strides(last: Taken) -> list[float]:
    """The field (A/m) of the first steps that are laid after a ``last`` reading on the way in."""
    first = [t for t in taken(3) if t.leg < 2 or t.height > last.height]
    ahead = replanned(BENCH, 16, [*first, last], 2, 0.9 * last.height, "hand")
    assert ahead is not None
    on = [abs(s.H_applied) for s in ahead.steps if s.leg == 2]
    return [b - a for a, b in pairwise(on)]


def test_a_reading_that_surprises_asks_for_one_more_there() -> None:
    last = [t for t in taken(3) if t.leg == 2][5]
    even = strides(last)
    assert even[0] > 0.8 * even[2]
    # A seventh of the sample has turned over that nothing before gave notice of.
    sooner = strides(last._replace(change=0.7 * last.change))
    assert max(sooner[:2]) < 0.6 * even[0]
    assert len(sooner) > len(even)


@pytest.mark.parametrize("apart", [0.01, 0.03])
def test_more_is_read_where_it_is_decided_whether_the_branches_meet(apart: float) -> None:
    *before, last = known = [t for t in taken(4) if t.leg < 3 or t.height < 1.5e-3]
    back = sorted(t.height for t in taken(3) if t.leg == 2)
    after = min(height for height in back if height > last.height)
    assert replanned(BENCH, 16, known, 3, after, "hand") is None
    nearly = [*before, last._replace(change=(1.0 - apart) * last.change)]
    ahead = replanned(BENCH, 16, nearly, 3, after, "hand")
    assert ahead is not None
    on = [s.height for s in ahead.steps]
    assert {s.leg for s in ahead.steps} == {3}
    assert on == sorted(on)
    assert on[0] == pytest.approx(after, abs=5e-6)
    # Each has its counterpart on the branch before, so that gap and magnet cancel.
    for height in back[2:9]:
        assert height < after or min(abs(height - at) for at in on) < 10e-6
    far_apart = [*before, last._replace(change=0.8 * last.change)]
    assert replanned(BENCH, 16, far_apart, 3, after, "hand") is None


def test_the_passages_of_the_ascending_branch_go_as_they_were_planned() -> None:
    known = taken(4)
    assert replanned(BENCH, 16, known, 3, 5e-3, "hand") is None
    assert replanned(BENCH, 16, taken(2), 2, 29e-3, "hand") is None  # beyond the far end of the plan
    ahead = replanned(BENCH, 16, taken(2), 2, 20e-3, "hand")
    assert ahead is not None
    heights = [s.height for s in ahead.steps if s.leg == 2]
    assert heights == sorted(heights, reverse=True)
    assert heights[0] == pytest.approx(20e-3)
    assert heights[-1] == 0.0
