"""Whether a level is a reading: judged by how long it was seen, not by when it is known best."""

from __future__ import annotations

import pytest

from tests.support.bench.virtual_bench import VirtualBench
from weighloop.daemon.acquisition.settings import FEWEST_SEEN, LEAST, UNKNOWN


@pytest.mark.parametrize(("interval", "least"), [(0.1, LEAST), (0.25, 0.25 * (FEWEST_SEEN - 1))])
def test_a_level_is_taken_as_soon_as_it_was_seen_for_long_enough(interval: float, least: float) -> None:
    """Once the balance's delay is known; slow balances show fewer readings in the same time."""
    bench = VirtualBench(interval=interval)
    bench.start("lift", points=6)
    bench.operate()
    assert bench.run is not None
    points = [p for p in bench.run.points if p["kind"] == "point"]
    first = next(p for p in points if p["leg"] == 1)
    settled = [p["settled_in_s"] for p in points if p["id"] > first["id"] and (p["height_m"] or 0.0) < 20e-3]
    assert min(settled) >= least - 1e-9
    assert sorted(settled)[len(settled) // 2] < max(UNKNOWN, least) + 4 * interval
