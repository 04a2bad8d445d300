"""The daemon's clock, and steps of the wall clock."""

import pytest

from weighloop.daemon.clock import StepWatch, start_after


def test_a_step_of_the_wall_clock_is_seen_once_and_either_way() -> None:
    watch = StepWatch(1000.0, 0.0)
    assert watch.look(1010.0, 10.0) is None
    assert watch.look(1011.0 + 3600.0, 11.0) == pytest.approx(3600.0)
    assert watch.look(1012.0 + 3600.0, 12.0) is None
    assert watch.look(1013.0 - 7200.0, 13.0) == pytest.approx(-10800.0)


def test_the_daemon_s_clock_never_goes_back() -> None:
    last = (500.0, "2026-03-01T12:00:00.000Z")
    assert start_after(last, "2026-03-01T12:01:00.000Z", 1.0) == pytest.approx(561.0)
    assert start_after(last, "2026-03-01T11:00:00.000Z", 1.0) == pytest.approx(501.0)
    assert start_after(None, "2026-03-01T11:00:00.000Z", 1.0) == 0.0
