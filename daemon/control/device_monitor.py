"""From what the devices say of themselves to what it means for a run. Only in the controller's thread."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any, Literal

from ...drivers.clock import Clock
from ...drivers.device import BalanceReading, DeviceState
from ..health import Repeats
from ..procedure.events import BalanceBack, BalanceGone, Event, LiftBack, LiftVoid
from .settings import LEAST_PATIENCE, SILENCE_TOLERATED

GONE = (DeviceState.LOST, DeviceState.ABSENT, DeviceState.FAULT)
VOID: dict[DeviceState, Literal["reset", "fault", "gone"]] = {
    DeviceState.LOST: "reset",
    DeviceState.FAULT: "fault",
    DeviceState.ABSENT: "gone",
}


class DeviceMonitor:
    """Believes a pulled plug at once and a silence after a while; a fault that repeats is counted.

    ``happen`` takes what it means for the run, ``note`` writes a line into the log.
    """

    def __init__(
        self,
        clock: Clock,
        happen: Callable[[Event], None],
        note: Callable[[str, str], None],
        alarm: Callable[[dict[str, Any]], None],
    ) -> None:
        self._clock, self._dispatch, self._note, self._alarm = clock, happen, note, alarm
        self._repeats = Repeats()
        self._heard = False  # the balance was ready and has not gone since
        self._gone = False
        self._silent_since: float | None = None
        self._why = ""
        self._lift_was: DeviceState | None = None

    def expect_balance(self) -> None:
        """A balance is opened: its silence counts from now."""
        if not self._heard:
            self._silent_since, self._gone, self._why = self._clock.now(), False, "not heard yet"

    def balance_is(self, state: DeviceState, why: str) -> None:
        """The balance has changed its state."""
        for text in self._repeats.say("balance", f"{state.value}: {why}"):
            self._note("device", f"Balance {text}")
        self._why = why
        if state is DeviceState.READY:
            self._silent_since, self._gone, self._heard = None, False, True
            self._dispatch(BalanceBack())
        elif self._silent_since is None:
            self._silent_since = self._clock.now()
        if state in GONE and self._heard:
            self._is_gone()  # it was there: believed at once, without patience

    def look(self) -> None:
        """See to the time: has the balance been silent for too long?"""
        if self._gone or self._silent_since is None:
            return
        least = LEAST_PATIENCE * self._clock.rate
        if self._clock.now() - self._silent_since > max(SILENCE_TOLERATED, least):
            self._is_gone()

    def _is_gone(self) -> None:
        self._gone, self._heard = True, False
        self._alarm({"kind": "balance", "text": self._why})
        self._dispatch(BalanceGone(self._why))

    def lift_is(self, state: DeviceState, why: str) -> None:
        """The lift has changed its state."""
        for text in self._repeats.say("lift", f"{state.value}: {why}"):
            self._note("device", f"Lift {text}")
        if state is DeviceState.READY:
            self._dispatch(LiftBack())
        elif state in VOID:
            if self._lift_was is DeviceState.READY:
                self._alarm({"kind": "lift", "text": f"the lift is {state.value}: {why}"})
            self._dispatch(LiftVoid(why, "button" if "stop button" in why else VOID[state]))
        if state is DeviceState.READY or state in VOID:
            self._lift_was = state

    def line_refused(self, raw: bytes, why: str) -> None:
        """A line of the balance was none of its dialect."""
        for text in self._repeats.say("line", f"a line was refused ({why})", example=repr(raw[:60])):
            self._note("refused", f"Balance: {text}")

    def reading_alone(self, reading: BalanceReading) -> None:
        """A reading leapt and was back at the next or the one after."""
        text = "a reading stood alone and is not followed (a flipped bit, a knock)"
        for said in self._repeats.say("alone", text, example=repr(reading.raw[:60])):
            self._note("refused", f"Balance: {said}")
