"""From readings to levels: decimation of fast balances, and the balance's range."""

import numpy as np
import pytest

from weighloop.daemon.acquisition.level import Acquisition, Decimator, PanLimits
from weighloop.drivers.device import BalanceReading


def test_fast_balances_are_averaged_and_keep_their_mean() -> None:
    thinner = Decimator()
    rng = np.random.default_rng(1)
    values = 0.05 + rng.normal(0, 1e-6, 5000)
    out = [
        got
        for i, v in enumerate(values)
        if (got := thinner.feed(BalanceReading(i * 1e-3, float(v), "steady", b"")))
    ]
    assert 80 <= len(out) <= 150  # 5 s at about 20 a second
    assert np.mean([v for _, v, _ in out if v is not None]) == pytest.approx(values.mean(), abs=2e-7)


def test_ten_a_second_pass_as_they_are() -> None:
    thinner = Decimator()
    for i in range(50):
        assert thinner.feed(BalanceReading(i * 0.1, 0.001 * i, None, b"")) == (i * 0.1, 0.001 * i, None)


def test_range() -> None:
    a = Acquisition(1e-6, 2e-6, PanLimits(0.22, 0.15))
    a.zero = 0.0
    for t in range(3):
        a.feed(BalanceReading(t * 0.1, -0.149, None, b""))
    assert a.out_of_range() is not None
    assert a.out_of_range()[0] == "magnet-lifted"  # type: ignore[index]
    a.feed(BalanceReading(0.4, -0.05, None, b""))
    assert a.out_of_range() is None
