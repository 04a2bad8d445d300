"""The emulated lift with something to weigh: the twin's magnet, sample and balance follow its stage and rod.

The lift is the firmware on its chip; the balance is the twin's, behind a port of its own. What the twin holds
the sample at is read off the chip's pins, so that a wrong position shows in the weight.
"""

from __future__ import annotations

import threading
import time
from pathlib import Path

from tests.support.lift.lift_emulator import Emulator
from weighloop.drivers.twin.bench import TwinBench
from weighloop.drivers.twin.bench_file import bench_file
from weighloop.drivers.twin.pseudo_port import PseudoPort


class WeighedLift:
    """Serves the balance while the context lasts, ``rate`` times as fast as life."""

    def __init__(self, emulator: Emulator, folder: Path, rate: float, seed: int = 1) -> None:
        self.emulator, self.rate = emulator, rate
        self.twin = TwinBench(seed, turner=True)
        self.port = PseudoPort(self.twin.voice.baud, folder / "balance")
        self.bench_text = bench_file(
            self.twin.scenario,
            seed=seed,
            dialect="status-line",
            ladder="lift",
            balance_port=self.port.name,
            lift_port=emulator.port,
            turner=True,
        )
        self.asking = threading.Lock()  # one question to the emulator at a time
        self._ending = threading.Event()
        self._thread = threading.Thread(target=self._weigh, daemon=True)

    def place(self) -> tuple[float, int]:
        """Where the stage is (m above the closest position) and where the rod, in its steps."""
        with self.asking:
            return self.emulator.steps / 1600 * 1e-3, int(self.emulator.state["rod"])

    def _weigh(self) -> None:
        twin, before = self.twin, time.monotonic()
        while not self._ending.wait(0.01):
            now = time.monotonic()
            height, twin.lift.turner.rod = self.place()
            stage = twin.lift.stage
            stage.motor = stage.carriage = height * 1e3 * 1600
            for line in twin.advance(min((now - before) * self.rate, 2.0)):
                if line.port == "balance":
                    self.port.write(line.data)
            self.port.read()
            before = now

    def __enter__(self) -> WeighedLift:
        self._thread.start()
        return self

    def __exit__(self, *_: object) -> None:
        self._ending.set()
        self._thread.join(10)
        self.port.unplug()
