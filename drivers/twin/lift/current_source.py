"""The controller's current source for a coil: bridge, shunt, converter, and what it lets flow.

Written from the lift protocol page (section 9), not from the host's driver. 5 V through a bridge that
reverses, a resistor, the shunt and the coil; a reference tells the converter's counts apart from the supply.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Protocol

import numpy as np

from .session import CommandRefused

LONGEST_S, MOST_UA, MOST_UV = 300, 60_000, 4_500_000
LEAST_SHUNT, MOST_SHUNT = 1_000, 1_000_000  # milliohm
SETTLES, LEAST_MEAN = 0.02, 0.12  # s: after switching, and the shortest mean that is told
OVER, TOO_LARGE, SILENT, HALTED, MOVED, NOT_RIGHT = range(1, 7)
#: What of the circuit does not change from bench to bench.
SUPPLY, REFERENCE, COUNTS = 5.0, 2.5, 1024


class Load(Protocol):
    """What hangs on the source's plug."""

    @property
    def resistance(self) -> float:
        """Ohm, leads included; infinite where a lead is broken."""
        ...


@dataclass(frozen=True)
class SourceCircuit:
    """The circuit as it really is. ``shunt``, ``series`` (with the bridge) in ohm; ``gain``: true current by
    told, what shunt and reference are off together."""

    shunt: float = 47.0
    series: float = 47.9
    gain: float = 1.0


class TwinCurrentSource:
    """Bridge and converter, and the controller's account of them. None is fitted by default."""

    def __init__(self, circuit: SourceCircuit | None, rng: np.random.Generator) -> None:
        self.fitted = circuit is not None
        self.circuit = circuit or SourceCircuit()
        self.load: Load | None = None  # nothing in the plug
        self.plugged, self.reference_good = True, True
        self._rng = rng
        self._bends = 0.3 * rng.standard_normal(3)  # counts: no converter is straight
        self.boot()

    def boot(self) -> None:
        """The controller forgets; nothing flows."""
        self.way = self.why = 0
        self.limit_uA = self.shunt_mohm = 0
        self._left = self._mean_of = 0.0
        self._untold = False
        self._restart()

    def _restart(self) -> None:
        self._mean_of, self._sums = -SETTLES, np.zeros(4)

    # -- what flows -------------------------------------------------------------------------------

    @property
    def current(self) -> float:
        """What really flows, A, with its sign."""
        if not self.way or self.load is None:
            return 0.0
        return self.way * SUPPLY / (self.circuit.series + self.circuit.shunt + self.load.resistance)

    def _nodes(self) -> np.ndarray:
        """Counts at both ends of the shunt, at the coil's far end, and of the reference."""
        here = self.current
        coil = here * self.load.resistance if self.load is not None and here else 0.0
        low = 0.05 if self.way >= 0 else SUPPLY - 0.05
        far = low + 0.0
        near = far + coil
        upper = near + here * self.circuit.shunt / self.circuit.gain
        volts = np.array([upper, near, far, REFERENCE if self.reference_good else 0.0])
        return volts / SUPPLY * COUNTS + np.append(self._bends, 0.0)

    # -- what the controller makes of it ----------------------------------------------------------

    @property
    def words(self) -> str:
        """What replies say of it, with a blank before."""
        return f" J{self.way} Y{self.why}" if self.fitted else ""

    @property
    def telemetry(self) -> str:
        """The same with the means since the last time, which begin again."""
        if not self.fitted:
            return ""
        if self._mean_of < LEAST_MEAN or not self.shunt_mohm:
            return f"{self.words} I?"
        upper, near, far, reference = np.round(64 * self._sums / self._mean_of)
        self._mean_of, self._sums = 0.0, np.zeros(4)
        per_count = REFERENCE / max(reference, 1.0)
        mA = (upper - near) * per_count / self.shunt_mohm * 1e6
        return f"{self.words} I{mA:.3f} U{(near - far) * per_count * 1e3:.3f}"

    def obey(self, code: int, values: dict[str, int], must_rest: Callable[[], None], watched: bool) -> None:
        """M3, M4, M5, M213; raises CommandRefused."""
        if not self.fitted:
            raise CommandRefused("unsupported")
        if code == 5:
            self.off(0)
            return
        if code == 213:
            limit, shunt = values["I"], values["R"]
            if limit > MOST_UA or not LEAST_SHUNT <= shunt <= MOST_SHUNT or limit * shunt > MOST_UV * 1000:
                raise CommandRefused("range")
            self.limit_uA, self.shunt_mohm = limit, shunt
            return
        must_rest()
        if not 1 <= values["S"] <= LONGEST_S:
            raise CommandRefused("range")
        if not (self.limit_uA and watched and self.plugged and self.reference_good):
            raise CommandRefused("interlock")
        way = 1 if code == 3 else -1
        if way != self.way:
            self._restart()
        self.way, self.why, self._left, self._untold = way, 0, float(values["S"]), False

    def off(self, why: int) -> None:
        """Nothing flows any more; ``why`` 0 where that was asked for."""
        if self.way:
            self._untold = bool(why)
            self._restart()
            self.why = why
        elif not why:
            self.why = 0
        self.way = 0

    def step(self, dt: float, moving: bool, halted: bool, silent: bool) -> str:
        """Pass ``dt`` seconds. The words to be said where it has gone off by itself, else none."""
        self._left -= dt
        if self.way:
            told = abs(self.current) / self.circuit.gain * 1e6
            if moving or halted or silent:
                self.off(MOVED if moving else HALTED if halted else SILENT)
            elif not (self.plugged and self.reference_good):
                self.off(NOT_RIGHT)
            elif told > self.limit_uA:
                self.off(TOO_LARGE)
            elif self._left <= 0.0:
                self.off(OVER)
        self._mean_of += dt
        if self.fitted and self._mean_of > 0.0:
            part = min(dt, self._mean_of)
            noise = 0.5 / np.sqrt(143 * part) * self._rng.standard_normal(4)
            self._sums = self._sums + part * (self._nodes() + noise)
        if self._untold:
            self._untold = False
            return self.words
        return ""
