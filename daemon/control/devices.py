"""The bench's balance and gap setter: kept open from run to run, opened again where a bench names others.

Opening a lift's port may reset it and costs its position, so nothing is closed without need.
"""

from __future__ import annotations

import logging
from collections.abc import Callable
from typing import TYPE_CHECKING, Any

from ...drivers.balance.balance import SerialBalance
from ...drivers.balance.dialects import load_dialect
from ...drivers.clock import Clock
from ...drivers.device import BalanceReading, DeviceError, DeviceState
from ...drivers.gap_setter import GapPosition
from ...drivers.lift.lift import SerialLift
from ...drivers.spacers import ManualSpacers
from ..protocol import Device
from .settings import TELEMETRY_HOLDS

if TYPE_CHECKING:
    from ...analysis.records.bench import Bench


#: Columns beside each reading.
BESIDE_READINGS = ("temperature_K", "hall_V", "vibration_V")

log = logging.getLogger(__name__)


class BalanceCallbacks:
    """Hears the balance, in its port's thread: puts things down and leaves."""

    def __init__(
        self,
        readings: list[BalanceReading],
        state: Callable[[DeviceState, str], None],
        refused: Callable[[bytes, str], None],
    ) -> None:
        self._readings, self._state, self._refused = readings, state, refused

    def reading(self, reading: BalanceReading) -> None:
        self._readings.append(reading)

    def refused(self, time: float, raw: bytes, why: str) -> None:
        self._refused(raw, why)

    def state(self, state: DeviceState, why: str) -> None:
        self._state(state, why)


class LiftCallbacks:
    """Hears the lift."""

    def __init__(self, clock: Clock, state: Callable[[DeviceState, str], None]) -> None:
        self._clock, self._state = clock, state
        self._telemetry: dict[str, float] = {}
        self._measured = 0.0

    def position(self, position: GapPosition) -> None:
        if position.telemetry is not None:
            self._telemetry, self._measured = position.telemetry, self._clock.now()

    @property
    def telemetry(self) -> dict[str, float]:
        """What the lift measured last, by name; empty where that is too long ago."""
        age = self._clock.now() - self._measured
        return self._telemetry if age <= TELEMETRY_HOLDS * max(1.0, self._clock.rate / 10) else {}

    def state(self, state: DeviceState, why: str) -> None:
        self._state(state, why)


class BenchDevices:
    """Balance and gap setter of the present bench."""

    def __init__(
        self,
        clock: Clock,
        balance_state: Callable[[DeviceState, str], None],
        lift_state: Callable[[DeviceState, str], None],
        refused: Callable[[bytes, str], None],
        asked: Callable[[int], None],
    ) -> None:
        """``asked`` hears that the person is asked for this number of spacers."""
        self.readings: list[BalanceReading] = []
        self.balance: SerialBalance | None = None
        self.balance_delay: float | None = None  # how late it answers a move, s, once that was seen
        self.setter: SerialLift | ManualSpacers | None = None
        self._asked = asked
        self.lift_ear = LiftCallbacks(clock, lift_state)
        self._clock = clock
        self._ear = BalanceCallbacks(self.readings, balance_state, refused)
        self._opened: dict[str, Any] = {}

    def open(self, bench: Bench) -> None:
        """Open what the bench names. Raises DeviceError for a dialect that is not there."""
        name = (bench.balance.port, bench.balance.dialect)
        if self._opened.get("balance") != name:
            dialect = load_dialect(bench.balance.dialect)
            if dialect.weakness is not None:
                log.warning("dialect %s: %s", bench.balance.dialect, dialect.weakness)
            if self.balance is not None:
                self.balance.close()
            self.balance = SerialBalance(bench.balance.port, dialect, self._ear, self._clock)
            self._opened["balance"] = name
            self.balance.start()
        gap = bench.gap
        if gap.ladder == "lift":
            lift = (bench.lift_port, gap.travel, gap.take_up, gap.turner, bench.current_source)
            wanted = lift if bench.lift_port else None
        else:
            wanted = (gap.spacer, gap.spacers)
        if self._opened.get("setter") != wanted:
            if self.setter is not None:
                self.setter.close()
            self.setter = self._setter(bench)
            self._opened["setter"] = wanted

    def _setter(self, bench: Bench) -> SerialLift | ManualSpacers | None:
        gap, port, supply = bench.gap, bench.lift_port, bench.current_source
        if gap.ladder == "spacers":
            assert gap.spacer is not None
            assert gap.spacers is not None
            return ManualSpacers(gap.spacer.value, gap.spacers, self._asked)
        if not port:
            return None
        return SerialLift(
            port,
            self.lift_ear,
            self._clock,
            travel=gap.travel,
            take_up=gap.take_up,
            turning_height=None if gap.turner is None else gap.turner.turning_height,
            shunt=None if supply is None else supply.shunt,
            largest_current=0.0 if supply is None else supply.largest_current,
        )

    @property
    def identified(self) -> bool:
        """Whether it is known which balance speaks, or cannot be known."""
        return self.balance is None or self.balance.identified

    def take_readings(self) -> list[BalanceReading]:
        """What came since the last call."""
        count = len(self.readings)
        taken = self.readings[:count]
        del self.readings[:count]
        return taken

    def balance_device(self) -> Device | None:
        """The balance as clients see it."""
        device = self._device(self.balance)
        return None if device is None else {**device, "delay_s": self.balance_delay}

    def lift_device(self) -> Device | None:
        """The lift as clients see it."""
        device = self._device(self.setter if isinstance(self.setter, SerialLift) else None)
        return None if device is None else {**device, "telemetry": dict(self.lift_ear.telemetry)}

    def _device(self, device: SerialBalance | SerialLift | None) -> Device | None:
        if device is None:
            return None
        heard = device.last_heard
        return {
            "state": str(device.state.value),
            "why": device.why,
            "port": device.port,
            "age_s": None if heard is None else max(0.0, self._clock.now() - heard),
            "lines": device.lines,
            "refused": device.refused,
        }

    def measured(self) -> dict[str, Any]:
        """What is written down beside each reading: the lift's telemetry, None where there is none, a coil's
        current, and which balance it is, where it says so."""
        serial = self.balance.serial if self.balance is not None else None
        telemetry = {name: self.lift_ear.telemetry.get(name) for name in BESIDE_READINGS}
        return telemetry | self._coil() | ({} if serial is None else {"balance": serial})

    def _coil(self) -> dict[str, float]:
        """The coil's current since it was switched last, and its resistance where that is measured, as the
        lift's source has them; empty where it is off."""
        source = self.setter.current_source if isinstance(self.setter, SerialLift) else None
        if source is None or not source.direction:
            return {}
        try:
            measured = source.measured_current()
        except DeviceError:
            return {}  # it has gone off just now
        resistance = measured.resistance
        return {"current_A": measured.value} | ({} if resistance is None else {"resistance_ohm": resistance})

    def close(self) -> None:
        """Release all ports."""
        for device in (self.balance, self.setter):
            if device is not None:
                device.close()
        self.balance = self.setter = None
        self._opened.clear()
