"""An unexpected level after a disturbance waits; nothing a prediction says changes what is accepted."""

import numpy as np
import pytest

from weighloop.daemon.acquisition.level import Acquisition, PanLimits
from weighloop.daemon.acquisition.settings import PAUSE
from weighloop.drivers.device import BalanceReading

MG = 1e-6
LEVEL = 7000.0  # mg
LEAN = 30.0  # mg, somebody leans on the table


def read(
    expected: float | None, lean: tuple[float, float] = (0.0, 0.0)
) -> tuple[float, float, list[float | None]]:
    """Seconds from the beginning to acceptance, the value (mg) that was accepted, and all values before it.

    ``expected`` in mg, known to 5 mg; ``lean`` from when to when (s from the beginning) somebody leans.
    """
    rng = np.random.default_rng(5)
    a = Acquisition(MG, 0.6 * MG, PanLimits())
    now, values = 100.0, []
    for k in range(900):
        if k == 300:
            a.begin(now, None if expected is None else (expected * MG, 5 * MG))
        since = 0.1 * (k - 300)
        load = 5000.0 if k < 300 else LEVEL + LEAN * (lean[0] <= since < lean[1])
        now += 0.1
        a.feed(BalanceReading(now, round(load + rng.normal(0, 2.0)) * MG, None, b""))
        if k > 300 and a.ready:
            taken = a.taken()
            assert taken is not None
            return now - 130.0, taken["value_kg"] / MG, values
        if k >= 300 and a.settling is not None:
            values.append(a.settling.value)
    raise AssertionError("never accepted")


def test_without_a_disturbance_a_wrong_prediction_costs_nothing() -> None:
    alone = read(None)
    assert read(9000.0) == read(LEVEL) == alone
    assert abs(alone[1] - LEVEL) < 5


def test_a_level_on_which_somebody_leans_is_seen_to_go_back() -> None:
    lean = (1.0, 9.0)
    assert abs(read(None, lean)[1] - LEVEL - LEAN) < 5  # what a filter alone must take it for
    seconds, value, _ = read(LEVEL, lean)
    assert abs(value - LEVEL) < 5
    assert seconds < 9.0 + PAUSE + 5


@pytest.mark.costly
def test_a_wrong_prediction_delays_a_level_and_changes_nothing_of_it() -> None:
    lean = (1.0, 60.0)  # it does not go back: the level has changed for good
    alone = read(None, lean)
    for wrong in (LEVEL - 500, LEVEL, LEVEL + 2000):
        seconds, value, values = read(wrong, lean)
        assert alone[0] < seconds <= alone[0] + PAUSE + 1
        assert abs(value - LEVEL - LEAN) < 5
        # until then the filter said the same, whatever was expected
        assert values[: len(alone[2])] == alone[2]
    expected = read(LEVEL + LEAN, lean)
    assert expected == alone
