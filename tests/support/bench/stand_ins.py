"""What the virtual bench has in place of clock, devices, log writer and mover: no thread, no port."""

from __future__ import annotations

from collections.abc import Callable
from typing import TYPE_CHECKING, Any

from weighloop.daemon.procedure import events
from weighloop.daemon.procedure.run import LogEvent
from weighloop.daemon.store.raw_blocks import Raw
from weighloop.daemon.store.store import BLOCK, Store
from weighloop.drivers.device import BalanceReading, DeviceState

if TYPE_CHECKING:
    from .virtual_bench import VirtualBench


class Clock:
    """A clock that stands until it is moved."""

    rate = 1.0

    def __init__(self) -> None:
        self.time = 0.0

    def now(self) -> float:
        return self.time

    def sleep(self, seconds: float) -> None:
        self.time += seconds


class Balance:
    """State only; its readings are put into the bench's list."""

    port = "/dev/ttyVirtual0"

    def __init__(self) -> None:
        self.state, self.why = DeviceState.READY, "speaks status-line"
        self.last_heard: float | None = None
        self.lines = self.refused = 0


class Lift(Balance):
    port = "/dev/ttyVirtual1"


class Devices:
    """What the controller needs of ``devices.BenchDevices``."""

    def __init__(self, bench: VirtualBench) -> None:
        self.bench = bench
        self.balance, self.lift = Balance(), Lift()
        self.balance_delay: float | None = None
        self.identified = True
        self.serial: str | None = None  # of the balance, where its dialect asks for it
        self.readings: list[BalanceReading] = []

    def open(self, bench: Any) -> None:
        pass

    def take_readings(self) -> list[BalanceReading]:
        taken, self.readings = self.readings, []
        return taken

    def measured(self) -> dict[str, Any]:
        telemetry = {"temperature_K": 294.15, "hall_V": None, "vibration_V": None}
        return telemetry | ({} if self.serial is None else {"balance": self.serial})

    def balance_device(self) -> Any:
        return {**self._device(self.balance), "delay_s": self.balance_delay}

    def lift_device(self) -> Any:
        return self._device(self.lift)

    def _device(self, device: Balance) -> Any:
        age = None if device.last_heard is None else self.bench.clock.now() - device.last_heard
        return {
            "state": device.state.value,
            "why": device.why,
            "port": device.port,
            "age_s": age,
            "lines": device.lines,
            "refused": device.refused,
        }

    def close(self) -> None:
        pass


class LogWriter:
    """Commits at once, in the caller's thread; ``fail`` makes it behave as on a full disk."""

    def __init__(self, store: Store) -> None:
        self.store = store
        self.fail = False
        self.waiting: list[tuple[Any, ...]] = []
        self._raw: list[tuple[int | None, list[Raw]]] = []
        self._count = 0

    def record(
        self,
        run: int | None,
        time_s: float,
        kind: str,
        text: str,
        data: dict[str, Any] | None = None,
        *,
        key: str | None = None,
        on_committed: Callable[[LogEvent], None] | None = None,
        on_refused: Callable[[str], None] | None = None,
    ) -> None:
        entry = (run, time_s, f"2026-01-01T00:00:{time_s % 60:06.3f}Z", kind, text, data or {}, key)
        self.waiting.append((entry, on_committed))
        if not self.fail:
            self.flush()

    def flush(self) -> None:
        while self.waiting:
            entry, on_committed = self.waiting.pop(0)
            (event,) = self.store.append([entry], self._raw)
            self._raw = []
            if on_committed is not None:
                on_committed(event)

    def raw(self, run: int | None, readings: list[Raw]) -> None:
        if self._raw and self._raw[-1][0] == run:
            self._raw[-1][1].extend(readings)
        else:
            self._raw.append((run, list(readings)))
        self._count += len(readings)
        if self._count >= BLOCK and not self.fail:
            self.store.append([], self._raw)
            self._raw, self._count = [], 0
            self.store.pack_tail()


class Mover:
    """The lift's moves: each ends after its time, well or not as the bench says."""

    def __init__(self, bench: VirtualBench) -> None:
        self.bench = bench
        self.moves: list[str] = []
        self.by_hand = False

    def begin(self, task: events.Task) -> None:
        bench = self.bench
        self.by_hand = task.sets_by_hand
        if self.by_hand:
            return  # the person's word will end it
        self.moves.append(task.kind if task.height is None else f"{task.kind} {task.height * 1e3:.2f}")
        if bench.lift_fails:
            why = bench.lift_fails.pop(0)
            bench.later(2.0, lambda: bench.controller.happen(events.LiftFailed(task.serial, why)))
            return
        if task.kind == "turn":
            bench.turn(task)
            return
        far = task.kind != "approach"
        target = bench.travel if task.height is None else task.height
        bench.path.append(target)
        seconds = 1.0 + abs(target - bench.height) / 2e-3
        bench.move_begins(task.kind, target)
        bench.moving_to, bench.move_serial = target, task.serial
        bench.move_time = (bench.clock.now(), seconds)

        def arrive() -> None:
            if bench.moving_to == target and bench.move_serial == task.serial:
                bench.height, bench.moving_to = target, None
                lost, bench.lost = (bench.lost, 0.0) if task.kind == "establish" else (0.0, bench.lost)
                way = bench.found(task.kind) if bench.run is not None and bench.run.turner else None
                bench.controller.happen(events.Stands(task.serial, target, far, lost, way))

        bench.later(seconds, arrive)

    def asked(self, count: int) -> None:
        pass

    def confirm(self, task: events.Task) -> None:
        assert task.height is not None
        assert self.by_hand
        self.bench.controller.happen(events.Stands(task.serial, task.height, False))

    def stop(self) -> None:
        if self.by_hand:
            self.by_hand = False
            return
        self.moves.append("stop")
        self.bench.moving_to = None
        serial = self.bench.controller.stage.serial
        self.bench.later(0.1, lambda: self.bench.controller.happen(events.LiftFailed(serial, "stopped")))
