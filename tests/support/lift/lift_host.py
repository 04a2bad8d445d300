"""The host's side of the lift protocol in a page, for the twin's lift: no port, no thread, time by hand."""

from __future__ import annotations

import zlib

import numpy as np

from weighloop.drivers.twin.lift.controller import LiftTwin
from weighloop.drivers.twin.lift.current_source import SourceCircuit
from weighloop.drivers.twin.lift.mechanics import Mechanics
from weighloop.drivers.twin.lift.turner import TurnerMechanics


def sealed(body: str) -> bytes:
    raw = body.encode("ascii")
    return raw + b"*%08X\n" % zlib.crc32(raw)


class Host:
    """A host in a page: numbers its lines, seals them, believes only answers whose check holds."""

    def __init__(
        self,
        mechanics: Mechanics | None = None,
        *,
        home: bool = True,
        turner: TurnerMechanics | None = None,
        source: SourceCircuit | None = None,
        seed: int = 1,
    ) -> None:
        self.lift = LiftTwin(mechanics or Mechanics(), np.random.SeedSequence(seed), turner, source)
        self.lift.out.clear()
        self.n = 0
        self.heights: list[float] = []
        assert self.say("M110 K4711").startswith("ok N1 K4711 lift1 B")
        if home:
            assert " R0 " in self.go("G28")

    def answers(self) -> list[str]:
        lines, self.lift.out[:] = b"".join(self.lift.out), []
        bodies = []
        for line in lines.splitlines():
            body, _, check = line.rpartition(b"*")
            assert int(check, 16) == zlib.crc32(body)
            bodies.append(body.decode())
        return bodies

    def say(self, words: str) -> str:
        """The answer to one line, which comes at once."""
        self.n += 1
        self.lift.feed(sealed(f"N{self.n} {words}"))
        return self.answers()[0]

    def run(self, seconds: float) -> list[str]:
        for _ in range(round(seconds * 50)):
            self.lift.step(0.02)
            self.heights.append(self.lift.stage.height)
        return self.answers()

    def go(self, words: str, seconds: float = 120.0) -> str:
        """The ``dn`` of a motion."""
        assert self.say(words).startswith("ok")
        self.heights = [self.lift.stage.height]
        done = [line for line in self.run(seconds) if line.startswith("dn")]
        assert len(done) == 1
        return done[0]
