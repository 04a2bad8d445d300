"""When a change of load is over, and what it may have left in a level that was begun early."""

import numpy as np
import pytest

from weighloop.analysis.settling import SettlingFilter
from weighloop.analysis.settling.calm import still_moving

MG = 1e-6
RATE = 10.0


@pytest.mark.parametrize(
    ("values", "moving"),
    [
        ([3968, 3968, 3967, 3967, 3966], True),  # swings back after a turn
        ([3967, 3968, 3968, 3967, 3966], True),
        ([-15, -15, -14, -13, -12, -11], True),  # a hand goes on after a pause
        ([0, 0, 0, 0, 0], False),
        ([0, 1, 0, 1, 0], False),
        ([0, 0, 0, 1, 1], False),  # between two digits
        ([0, 3, 1, 2, 0], False),
        ([7], False),
        ([], False),
    ],
)
def test_readings_that_go_one_way_by_over_a_digit_are_still_moving(values: list[int], moving: bool) -> None:
    for side in (1, -1):
        assert still_moving([(k / RATE, side * float(y)) for k, y in enumerate(values)]) == moving


def taken(load: float, lag: float, seed: int) -> float | None:
    """Error over stated uncertainty of the first level taken after ``load`` digits were put down on a balance
    whose filter has two equal poles of ``lag`` s; its step response is exact: 1 - (1 + t/lag) exp(-t/lag)."""
    f = SettlingFilter(MG, MG)
    rng = np.random.default_rng(seed)
    for t in np.arange(300) / RATE:
        since = max(t - 15.0, 0.0) / lag
        y = load * (1 - (1 + since) * np.exp(-since)) + rng.normal(0, 0.3)
        state = f.feed(float(t), float(np.round(y)) * MG)
        if state.accepted and t > 15.3:
            assert state.value is not None
            assert state.u is not None
            return (state.value / MG - load) / (state.u / MG)
    return None


@pytest.mark.costly
def test_what_is_left_of_the_way_through_a_slow_filter_is_within_what_is_stated() -> None:
    odd = [
        taken(load, lag, seed) for lag in (0.5, 0.75) for load in (150.0, 1000.0, 20000.0) for seed in (0, 1)
    ]
    errors = [e for e in odd if e is not None]
    assert len(errors) == len(odd)
    assert np.sqrt(np.mean(np.square(errors))) < 1.3
