"""A bench more restless than it usually is: what can be seen of a draught tells what cannot yet."""

import math

import numpy as np
import pytest

from weighloop.analysis.settling import NoiseMemory, SettlingFilter
from weighloop.analysis.settling.restlessness import Restlessness

MG = 1e-6


def feed(one: Restlessness, readings: np.ndarray, start: float = 0.0) -> None:
    for k, y in enumerate(readings):
        one.feed(start + 0.1 * k, float(y))


def test_the_usual_change_of_white_noise_is_twice_its_variance() -> None:
    one = Restlessness()
    feed(one, np.random.default_rng(2).normal(0, 3.0, 6000))
    assert one.usual == pytest.approx(2 * 3.0**2, rel=0.25)
    assert one.slow_variance(2.0) < 9.0


def test_of_a_bench_watched_for_less_than_a_minute_nothing_is_said() -> None:
    one = Restlessness()
    feed(one, np.random.default_rng(3).normal(0, 1.0, 300))
    feed(one, np.random.default_rng(4).normal(0, 20.0, 100), 40.0)
    assert one.usual == 0.0
    assert one.slow_variance(2.0) == 0.0


def test_a_bench_more_restless_than_usual_leaves_a_level_open_and_less_with_time() -> None:
    one = Restlessness()
    feed(one, np.random.default_rng(5).normal(0, 1.0, 3000))
    one.level_begins()
    feed(one, np.random.default_rng(6).normal(0, 4.0, 40), 400.0)
    soon, later = one.slow_variance(2.0), one.slow_variance(60.0)
    assert math.sqrt(soon) > 4.0
    assert 0 < later < soon / 4


def test_a_load_put_down_is_no_change_of_the_bench() -> None:
    one, still = Restlessness(), Restlessness()
    noise = np.random.default_rng(7).normal(0, 1.0, 4000)
    feed(still, noise)
    for k in range(40):
        one.level_begins()
        feed(one, noise[100 * k : 100 * k + 100] + 5000.0 * k, 10.0 * k)
    assert one.usual == pytest.approx(still.usual, rel=0.2)


def waits(memory: NoiseMemory | None, sd: float) -> float:
    """Seconds from a new load to its acceptance on a bench of noise ``sd`` (mg) with a slow part as large."""
    rng = np.random.default_rng(11)
    f = SettlingFilter(MG, 2 * MG, memory)
    slow = 0.0
    for k in range(1200):
        slow += -slow / 100 + sd * math.sqrt(0.02) * rng.normal()
        load = 5000.0 if k > 100 else 0.0
        state = f.feed(0.1 * k, round(load + slow + rng.normal(0, sd)) * MG)
        if state.accepted and state.level_since is not None and state.level_since > 10.0:
            return 0.1 * k - 10.0
    return math.inf


@pytest.mark.costly
def test_the_memory_carries_what_is_usual_and_a_draught_on_a_calm_bench_waits() -> None:
    f = SettlingFilter(MG, 2 * MG)
    rng = np.random.default_rng(12)
    for k in range(1500):
        f.feed(0.1 * k, round(rng.normal(0, 0.6)) * MG)
    memory = f.memory()
    assert memory.usual_change == pytest.approx(2 * (0.6**2 + 1 / 12) * MG**2, rel=0.35)
    kept = NoiseMemory.from_dict(memory.to_dict())
    assert kept == memory
    older = {key: value for key, value in memory.to_dict().items() if key != "usual_change"}
    unaware = NoiseMemory.from_dict(older)
    assert unaware is not None
    assert unaware.usual_change == 0.0
    assert waits(kept, 0.6) < 6.0
    assert waits(kept, 4.0) > waits(unaware, 4.0) + 5.0
