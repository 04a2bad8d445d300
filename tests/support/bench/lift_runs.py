"""Lift runs on the virtual bench, taken up to a point, and what must hold of them in the end."""

from __future__ import annotations

from itertools import pairwise

from tests.support.bench.virtual_bench import VirtualBench


def started(points_taken: int, points: int = 4) -> VirtualBench:
    """A lift run with this many readings taken (zeros too)."""
    bench = VirtualBench()
    bench.start("lift", points=points)
    bench.operate(stop=lambda: bench.run is not None and len(bench.run.points) >= points_taken)
    return bench


def finish(bench: VirtualBench) -> None:
    bench.operate()
    assert bench.run is not None
    assert bench.run.state == "finished"
    assert bench.store.verify() == []


def used(bench: VirtualBench, leg: int) -> list[float]:
    assert bench.run is not None
    return [
        point["gap_m"] or 0.0
        for point in bench.run.points
        if point["kind"] == "point" and point["leg"] == leg and point["set_aside"] is None
    ]


def one_way_everywhere(bench: VirtualBench) -> None:
    """The readings still in use walk each leg one way only, each gap once."""
    for leg, sign in ((0, -1), (1, 1), (2, -1), (3, 1), (4, -1)):
        gaps = used(bench, leg)
        assert all(sign * (b - a) > 0 for a, b in pairwise(gaps)), (leg, gaps)
