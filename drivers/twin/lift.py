"""The device side of the lift protocol: what the controller, the screw and the switch do.

The words are those of the lift protocol page (hardware notes); this is written from the page,
not from the host's driver, so that a misunderstanding shows.
Positions are in steps, 1600 to the millimetre, counted from the closest position, opening up.
"""

from __future__ import annotations

import re
import zlib
from dataclasses import dataclass, field
from math import sqrt

import numpy as np

from .lift_mechanics import HOME, STEPS_PER_MM, Mechanics, Stage
from .lift_parser import Words, steps, taken_apart

TOP_UM = 49_500
SEEK = 88_000  # give up homing after 55 mm
BACK_OFF = 1600
RAMP = 4000.0  # steps/s^2
F_MIN, F_MAX = 1_200, 120_000  # um/min
IDLE, MOVE, HOMING, DWELL, HALT = range(5)
DONE, HELD, HALTED, NO_SWITCH = range(4)
HOST_SILENT = 5

_STOP = re.compile(rb"(?:^| )M112(?!\d)")


class Refused(Exception):
    """The controller's reason for an ``er`` line."""


@dataclass
class Leg:
    """One straight stretch of a motion: up to ``to`` steps at ``speed``, or until the switch says so."""

    to: float
    speed: float
    until: str = "there"  # there | pressed | released


@dataclass
class Motion:
    """What the lift is about: the line it answers, the stretches left, and how it shall end."""

    number: int
    legs: list[Leg] = field(default_factory=list)
    dwell: float = 0.0


class LiftTwin:
    """Controller and stage. ``feed`` takes bytes, ``step`` passes time; both fill ``out`` with lines."""

    def __init__(self, mechanics: Mechanics, seed: np.random.SeedSequence) -> None:
        self.stage = Stage(mechanics)
        self.rng = np.random.default_rng(seed)
        self.out: list[bytes] = []
        self.boots = int(self.rng.integers(3, 40))
        self.stop_button = False
        self.temperature = 294.15
        self.hall = 0.0  # T at the probe
        self.vibration = 0.0
        self._boot(cause=1)

    def reset(self, cause: int = 4) -> None:
        """Supply dip: everything but the mechanics is forgotten."""
        self._boot(cause)

    def _boot(self, cause: int) -> None:
        self.boots += 1
        self.cause = cause
        self.nonce = self.last_number = self.last_check = 0
        self.last_reason = ""
        self.state, self.result, self.done, self.homed = IDLE, DONE, 0, False
        self.count = 0.0  # steps issued as the controller counts them
        self.speed = 0.0
        self.motion: Motion | None = None
        self.stopping, self._stop_result = False, HELD
        self.phase = self.waiting = self.home_error = self.closing = self.floor = 0
        self.telemetry_every = self.telemetry_in = self.host_watch = self.host_silent = self.time = 0.0
        self._buffer, self._bad = bytearray(), False
        self._say(f"bt lift1 B{self.boots} C{cause}")

    # -- talking ------------------------------------------------------------------------------

    def feed(self, data: bytes) -> None:
        """Bytes from the host."""
        for byte in data:
            if byte == 0x89:
                self._halt(1)
            elif byte == 0xFE:
                self._hold()
            elif byte == 0x0A:
                if self._buffer or self._bad:
                    self._line(bytes(self._buffer))
                self._buffer, self._bad = bytearray(), False
            elif not 0x20 <= byte <= 0x7E or len(self._buffer) >= 64:
                self._bad = True
            else:
                self._buffer.append(byte)

    def _say(self, body: str) -> None:
        raw = body.encode("ascii")
        self.out.append(raw + b"*%08X\n" % zlib.crc32(raw))

    def _where(self) -> str:
        steps = round(self.count)
        return f"Z{steps / STEPS_PER_MM:.3f} S{steps} H{int(self.homed)} M{self.state}"

    def _line(self, raw: bytes) -> None:
        if _STOP.search(raw):
            self._halt(1)
            return
        expected = self.last_number % 65535 + 1 if self.nonce else 0
        body, star, check = raw.rpartition(b"*")
        if self._bad:
            self._say(f"rs N{expected} K{self.nonce} frame")
            return
        if star != b"*" or not re.fullmatch(rb"[0-9A-F]{8}", check) or int(check, 16) != zlib.crc32(body):
            self._say(f"rs N{expected} K{self.nonce} crc")
            return
        words, reason = taken_apart(body.decode("ascii"), int(check, 16))
        opens = not reason and (words.kind, words.code) == ("M", 110) and words.values["K"] > 0
        if not opens and not self.nonce:
            self._say(f"er N{words.number} K0 nosession")
            return
        again = not opens and (words.number, words.check) == (self.last_number, self.last_check)
        if not opens and not again and words.number != expected:
            self._say(f"er N{words.number} K{self.nonce} sequence X{expected}")
            return
        self.host_silent = 0.0
        if again:
            reason = self.last_reason
        else:
            if not reason:
                try:
                    self._execute(words)
                except Refused as refusal:
                    reason = str(refusal)
            self.last_number, self.last_check, self.last_reason = words.number, words.check, reason
        self._answer(words, reason, again)

    def _answer(self, words: Words, reason: str, again: bool) -> None:
        head = f"N{words.number} K{self.nonce}"
        dup = " dup" if again else ""
        if reason:
            self._say(f"er {head} {reason}{dup}")
            return
        tail = ""
        if words.kind == "G" and "Z" in words.values:
            tail = f" Z{words.values['Z'] / 1000:.3f}"
        elif words.kind == "M" and words.code == 114:
            switches = int(self.stage.pressed) | int(self.stop_button) << 1
            tail = (
                f" {self._where()} D{self.done} R{self.result} E{self.home_error} L{min(self.closing, 65535)}"
            )
            tail += f" W{switches}"
        elif words.kind == "M" and words.code in (110, 115):
            tail = f" lift1 B{self.boots} C{self.cause}"
        self._say(f"ok {head}{dup}{tail}")
        if words.kind == "M" and words.code == 105 and not again:
            self._telemetry()

    # -- obeying ------------------------------------------------------------------------------

    def _execute(self, words: Words) -> None:
        kind, code, v = words.kind, words.code, words.values
        if kind == "G" and code in (0, 1, 60):
            self._start_move(words)
        elif kind == "G" and code == 4:
            self._must_rest()
            self.motion, self.state = Motion(words.number, dwell=v["P"] / 1000), DWELL
        elif kind == "G" and code == 28:
            self._must_rest()
            self.motion, self.state, self.phase, self.stopping = Motion(words.number), HOMING, 0, False
        elif kind == "M" and code == 110:
            if not v["K"]:
                raise Refused("syntax")
            self.nonce, self.host_watch = v["K"], 0.0
        elif kind == "M" and code == 400:
            self.waiting = words.number
        elif kind == "M" and code in (155, 113):
            low, high = (100, 5000) if code == 155 else (500, 60000)
            if v["S"] and not low <= v["S"] <= high:
                raise Refused("range")
            if code == 155:
                self.telemetry_every = self.telemetry_in = v["S"] / 1000
            else:
                self.host_watch = v["S"] / 1000
        elif kind == "M" and code == 211:
            if v["Z"] > TOP_UM:
                raise Refused("range")
            self.floor = steps(v["Z"])
        elif kind == "M" and code == 18:
            if self.state != IDLE:
                raise Refused("halt" if self.state == HALT else "busy")
            self.homed = False
        elif kind == "M" and code == 999 and self.state == HALT:
            if self.stop_button:
                raise Refused("halt")
            self.state = IDLE

    def _must_rest(self) -> None:
        if self.state == HALT:
            raise Refused("halt")
        if self.state != IDLE:
            raise Refused("busy")

    def _start_move(self, words: Words) -> None:
        self._must_rest()
        if not self.homed:
            raise Refused("unhomed")
        v = words.values
        feed = v.get("F", F_MAX)
        target = steps(v["Z"])
        if not F_MIN <= feed <= F_MAX or v["Z"] > TOP_UM or target < self.floor:
            raise Refused("range")
        speed = feed / 60_000 * STEPS_PER_MM
        legs = [Leg(target, speed)]
        if words.code == 60:
            take_up = steps(v["R"])
            if v["R"] > 1000 or v["Z"] + v["R"] > TOP_UM:
                raise Refused("range")
            if target > self.count or self.closing + (self.count - target) < take_up:
                legs.insert(0, Leg(target + take_up, speed))
        self.motion, self.state, self.stopping = Motion(words.number, legs), MOVE, False

    def _finish(self, result: int) -> None:
        motion, self.motion = self.motion, None
        if self.state != HALT:
            self.state = IDLE
        self.speed, self.stopping, self.result = 0.0, False, result
        if motion is not None:
            self.done = motion.number
            self._say(f"dn N{self.done} K{self.nonce} R{result} {self._where()} E{self.home_error}")
        if self.waiting:
            number, self.waiting = self.waiting, 0
            self._say(f"dn N{number} K{self.nonce} R{result} {self._where()} E{self.home_error}")

    def _halt(self, cause: int) -> None:
        ran = self.state in (MOVE, HOMING, DWELL)
        self.homed, self.state, self.speed = False, HALT, 0.0
        self._say(f"ha K{self.nonce} C{cause} {self._where()}")
        if ran:
            self._finish(HALTED)

    def _hold(self) -> None:
        if self.state == MOVE:
            self.stopping, self._stop_result = True, HELD
        elif self.state == DWELL:
            self._finish(HELD)
        elif self.state == HOMING:
            self._halt(1)

    # -- moving -------------------------------------------------------------------------------

    def step(self, dt: float) -> None:
        """Pass ``dt`` seconds."""
        self.time += dt
        if self.stop_button and self.state != HALT:
            self._halt(2)
        if self.telemetry_every:
            self.telemetry_in -= dt
            if self.telemetry_in <= 0.0:
                self.telemetry_in += self.telemetry_every
                self._telemetry()
        if self.waiting and self.state in (IDLE, HALT):
            self._finish(self.result)
        if self.state in (MOVE, HOMING, DWELL) and self.host_watch:
            self.host_silent += dt
            if self.host_silent > self.host_watch:
                self.host_silent = 0.0
                if self.state == DWELL:
                    self._finish(HOST_SILENT)
                else:
                    self.stopping, self._stop_result = True, HOST_SILENT
        motion = self.motion
        if motion is None:
            return
        if self.state == DWELL:
            motion.dwell -= dt
            if motion.dwell <= 0.0:
                self._finish(DONE)
        elif self.state == MOVE:
            if self._along(motion.legs[0], dt):
                motion.legs.pop(0)
                if self.stopping:
                    self._finish(self._stop_result)
                elif not motion.legs:
                    self._finish(DONE)
        elif self.state == HOMING:
            self._home(motion, dt)

    def _along(self, leg: Leg, dt: float) -> bool:
        """Move along a leg for ``dt``; True when it has ended. Ramps up and down, never past its end."""
        direction = 1.0 if leg.to > self.count else -1.0
        left = abs(leg.to - self.count)
        if self.stopping:
            self.speed = max(0.0, self.speed - RAMP * dt)
            if self.speed == 0.0:
                return True
        else:
            self.speed = min(self.speed + RAMP * dt, leg.speed, sqrt(2.0 * RAMP * left) + RAMP * dt)
        travel = min(left, self.speed * dt)
        if leg.until != "there":
            # The switch is watched at every step: the stage stops on its edge.
            edge = HOME - (self.stage.carriage - self.count)
            before = self.stage.pressed
            if (
                self.stage.switch_forced is None
                and (self.count - edge) * (self.count + direction * travel - edge) <= 0
            ):
                travel = min(travel, abs(edge - self.count) + (1.0 if direction < 0 else 0.0))
            self._shift(direction * travel)
            met = self.stage.pressed if leg.until == "pressed" else not self.stage.pressed
            if met or (leg.until == "pressed" and before):
                self.speed = 0.0
                return True
            return abs(leg.to - self.count) < 0.5 and self._rest(leg)
        self._shift(direction * travel)
        if direction > 0 and self.stage.pressed and self.state == MOVE:
            self._halt(3)
            return False
        return abs(leg.to - self.count) < 0.5 and self._rest(leg)

    def _rest(self, leg: Leg) -> bool:
        self._shift(leg.to - self.count)
        self.speed = 0.0
        return True

    def _shift(self, by: float) -> None:
        self.count += by
        if by > 0:
            self.closing = 0
        else:
            self.closing += round(-by)
        self.stage.turn(by)

    def _home(self, motion: Motion, dt: float) -> None:
        if not motion.legs:
            here, fast = self.count, F_MAX / 2 / 60_000 * STEPS_PER_MM
            if self.phase == 0 and self.stage.pressed:
                self.phase = 1
            legs = {
                0: Leg(here + SEEK, fast, "pressed"),
                1: Leg(here - BACK_OFF, fast),
                2: Leg(here + 2 * BACK_OFF, fast / 5, "pressed"),
                3: Leg(here - BACK_OFF, fast / 10, "released"),
                4: Leg(HOME - BACK_OFF, fast),
            }
            if self.phase in legs:
                motion.legs.append(legs[self.phase])
        if not self._along(motion.legs[0], dt):
            return
        if self.stopping:
            self._finish(self._stop_result)
            return
        leg = motion.legs.pop(0)
        missed = (leg.until == "pressed" and not self.stage.pressed) or (
            leg.until == "released" and self.stage.pressed
        )
        if missed or (self.phase == 1 and self.stage.pressed):
            self.homed = False
            self._finish(NO_SWITCH)
            return
        if self.phase == 3:
            scatter = float(self.rng.normal(0.0, self.stage.mechanics.homing_scatter)) * STEPS_PER_MM
            self.home_error = round(self.count) - HOME if self.homed else 0
            self.count, self.homed = HOME + scatter, True
        self.phase += 1
        if self.phase == 5:
            self._finish(DONE)

    def _telemetry(self) -> None:
        kelvin = self.temperature
        ratio = np.exp(3950.0 * (1.0 / kelvin - 1.0 / 298.15))
        thermistor = round(65536 * ratio / (1.0 + ratio))
        hall = round(min(max(0.5 + 0.9 * self.hall, 0.0), 1.0) * 65472)  # 4.5 V/T about half the supply
        level = round(
            16 * (1.5 + self.vibration + (4.0 if self.speed else 0.0)) * float(self.rng.uniform(0.9, 1.1))
        )
        ms = round(self.time * 1000)
        self._say(f"tm K{self.nonce} T{ms} {self._where()} A{thermistor} B{hall} V{level} n67")
