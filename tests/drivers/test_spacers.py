"""Spacers by hand, behind the same calls as the lift."""

from __future__ import annotations

import threading
from collections.abc import Callable

import pytest

from tests.support.serial.serial_peers import Ears
from weighloop.drivers.device import DeviceError, DeviceRefused
from weighloop.drivers.gap_setter import GapSetter
from weighloop.drivers.spacers import ManualSpacers


def test_the_person_is_asked_for_whole_spacers(ears: Ears) -> None:
    asked: list[int] = []

    def ask(number: int) -> None:
        asked.append(number)
        person.done()

    person = ManualSpacers(1e-3, 30, ask, ears)
    spacers: GapSetter = person
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
        spacers.done()

    spacers = ManualSpacers(1e-3, 30, ask)
    spacers.establish()
    with pytest.raises(DeviceError, match="went home"):
        spacers.approach(5e-3)
    assert not spacers.where().known
    assert spacers.approach(6e-3).known


def setting(spacers: ManualSpacers, asked: threading.Event) -> tuple[threading.Thread, list[object]]:
    """A move to 5 mm that waits for the person, and how it ended."""
    ended: list[object] = []

    def move() -> None:
        try:
            ended.append(spacers.approach(5e-3))
        except DeviceError as error:
            ended.append(str(error))

    thread = threading.Thread(target=move)
    thread.start()
    assert asked.wait(60)
    assert spacers.where().moving
    return thread, ended


def test_the_move_waits_for_the_person_s_word() -> None:
    asked = threading.Event()
    spacers = ManualSpacers(1e-3, 30, lambda number: asked.set())
    spacers.done()  # nothing was asked for: it is not the answer to what comes
    thread, ended = setting(spacers, asked)
    thread.join(0.05)
    assert ended == []
    spacers.done()
    thread.join(5)
    assert ended == [spacers.where()]
    assert spacers.where().height == pytest.approx(5e-3)


@pytest.mark.parametrize("end", [ManualSpacers.stop, ManualSpacers.close])
def test_stop_while_setting_leaves_the_number_unknown(end: Callable[[ManualSpacers], None]) -> None:
    asked = threading.Event()
    spacers = ManualSpacers(1e-3, 30, lambda number: asked.set())
    thread, ended = setting(spacers, asked)
    with pytest.raises(DeviceRefused, match="being set already"):
        spacers.retreat()
    end(spacers)
    thread.join(5)
    assert "stopped" in str(ended[0])
    assert not spacers.where().known
