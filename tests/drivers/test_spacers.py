"""Spacers by hand, behind the same calls as the lift."""

from __future__ import annotations

import threading

import pytest
from far_ends import Ears

from weighloop.drivers.device import DeviceError, DeviceRefused
from weighloop.drivers.gap_setter import GapSetter
from weighloop.drivers.spacers import ManualSpacers


def test_the_person_is_asked_for_whole_spacers(ears: Ears) -> None:
    asked: list[int] = []
    spacers: GapSetter = ManualSpacers(1e-3, 30, asked.append, ears)
    assert not spacers.where().known
    assert spacers.establish().height == pytest.approx(30e-3)
    assert spacers.approach(7e-3).height == pytest.approx(7e-3)
    assert spacers.approach(0.0).height == 0.0
    assert spacers.retreat().known
    assert asked == [30, 7, 0, 30]
    assert [position.known for position in ears.positions] == [True] * 4
    spacers.close()


@pytest.mark.parametrize("height", [0.5e-3, -1e-3, 31e-3, float("nan"), float("inf")])
def test_a_height_between_spacers_is_refused(height: float) -> None:
    spacers = ManualSpacers(1e-3, 30, lambda number: None)
    with pytest.raises(DeviceRefused, match="whole number"):
        spacers.approach(height)


@pytest.mark.parametrize(("thickness", "count"), [(0.0, 3), (-1e-3, 3), (float("nan"), 3), (1e-3, 0)])
def test_no_spacers_are_no_spacers(thickness: float, count: int) -> None:
    with pytest.raises(ValueError, match="spacers"):
        ManualSpacers(thickness, count, lambda number: None)


def test_a_person_who_refuses_leaves_the_number_unknown() -> None:
    def ask(number: int) -> None:
        if number == 5:
            raise DeviceError("went home")

    spacers = ManualSpacers(1e-3, 30, ask)
    spacers.establish()
    with pytest.raises(DeviceError, match="went home"):
        spacers.approach(5e-3)
    assert not spacers.where().known
    assert spacers.approach(6e-3).known


def test_stop_while_setting_leaves_the_number_unknown() -> None:
    asked, done = threading.Event(), threading.Event()

    def ask(number: int) -> None:
        asked.set()
        done.wait(5)

    spacers = ManualSpacers(1e-3, 30, ask)
    errors: list[Exception] = []

    def move() -> None:
        try:
            spacers.approach(5e-3)
        except DeviceError as error:
            errors.append(error)

    thread = threading.Thread(target=move)
    thread.start()
    asked.wait(5)
    assert spacers.where().moving
    with pytest.raises(DeviceRefused, match="being set already"):
        spacers.retreat()
    spacers.stop()
    done.set()
    thread.join()
    assert "stopped" in str(errors[0])
    assert not spacers.where().known
