"""The device side of the lift protocol: what the controller, the screw and the switch do.

The words are those of the lift protocol page (hardware notes); this is written from the page,
not from the host's driver, so that a misunderstanding shows.
Positions are in steps, 1600 to the millimetre, counted from the closest position, opening up.
"""

from __future__ import annotations

from math import sqrt

import numpy as np

from .current_source import SourceCircuit, TwinCurrentSource
from .mechanics import HOME, STEPS_PER_MM, Leg, Mechanics, Motion, Stage, steps_a_second
from .parser import Words, steps
from .sensors import telemetry_words
from .session import CommandRefused, LiftSession
from .turner import BUILT_IN_UM, TurnerMechanics, TwinTurner

TOP_UM = 49_500
SEEK = 88_000  # give up homing after 55 mm
BACK_OFF = 1600
RAMP = 16_000.0  # steps/s^2
FINDING, GIVEN_UP = 5, 6  # phases of homing after those that have a leg
F_MIN, F_MAX, SEEK_FEED, SECOND_FEED, EDGE_FEED = 1_200, 240_000, 120_000, 24_000, 6_000  # um/min
IDLE, MOVE, HOMING, DWELL, HALT = range(5)
DONE, HELD, HALTED, NO_SWITCH, NO_ANGLE, HOST_SILENT = range(6)


class LiftTwin(LiftSession):
    """Controller and stage. ``feed`` takes bytes, ``step`` passes time; both fill ``out`` with lines."""

    def __init__(
        self,
        mechanics: Mechanics,
        seed: np.random.SeedSequence,
        turner: TurnerMechanics | None = None,
        source: SourceCircuit | None = None,
    ) -> None:
        super().__init__()
        self.stage = Stage(mechanics)
        self.rng = np.random.default_rng(seed)
        self.turner = TwinTurner(turner, np.random.default_rng(seed.spawn(1)[0]))
        self.source = TwinCurrentSource(source, np.random.default_rng(seed.spawn(1)[0]))
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
        self.forget_session()
        self.state, self.result, self.done, self.homed = IDLE, DONE, 0, False
        self.count = 0.0  # steps issued as the controller counts them
        self.speed = 0.0
        self.motion: Motion | None = None
        self.stopping, self._stop_result = False, HELD
        self.phase = self.waiting = self.home_error = self.closing = self.floor = 0
        self.telemetry_every = self.telemetry_in = self.host_watch = self.time = 0.0
        # Whether the count goes back to a homing; whether its error is known, and has been reported.
        self.counted = self.error_known = self.error_kept = self.untold = False
        self.closed = 0.0  # steps since the last homing
        self.turner.boot()
        self.source.boot()
        self._say(f"bt lift1 B{self.boots} C{cause}")

    # -- talking ------------------------------------------------------------------------------

    def _where(self) -> str:
        steps = round(self.count)
        return f"Z{steps / STEPS_PER_MM:.3f} S{steps} H{int(self.homed)} M{self.state}"

    @property
    def _error(self) -> str:
        return f"E{self.home_error}" + " kept" * self.error_kept

    def _answer(self, words: Words, reason: str, again: bool) -> None:
        head = f"N{words.number} K{self.nonce}"
        dup = " dup" if again else ""
        if reason:
            self._say(f"er {head} {reason}{dup}")
            return
        tail = ""
        if words.kind == "G" and "Z" in words.values:
            tail = f" Z{words.values['Z'] / 1000:.3f}"
        elif words.kind == "G" and "A" in words.values:
            tail = f" A{words.values['A'] / 1000:.3f}"
        elif words.kind == "M" and words.code == 114:
            switches = int(self.stage.pressed) | int(self.stop_button) << 1
            tail = f" {self._where()} D{self.done} R{self.result} {self._error} L{min(self.closing, 65535)}"
            tail += f" W{switches}{self.turner.words}{self.source.words}"
        elif words.kind == "M" and words.code in (3, 4, 5):
            tail = self.source.words
        elif words.kind == "M" and words.code in (110, 115):
            tail = f" lift1 B{self.boots} C{self.cause}"
            if words.code == 115:
                tail += " ZA" * self.turner.fitted + " source" * self.source.fitted
                tail += f" Z{TOP_UM / 1000:.3f} F{F_MAX / 1000:.3f}"
        self._say(f"ok {head}{dup}{tail}")
        if words.kind == "M" and words.code == 105 and not again:
            self._telemetry()

    # -- obeying ------------------------------------------------------------------------------

    def _execute(self, words: Words) -> None:
        kind, code, v = words.kind, words.code, words.values
        if kind == "G" and "A" in v:
            self._start_turn(words)
        elif kind == "G" and code in (0, 1, 60):
            self._start_move(words)
        elif kind == "G" and code == 4:
            self._must_rest()
            self.motion, self.state = Motion(words.number, dwell=v["P"] / 1000), DWELL
        elif kind == "G" and code == 28:
            self._must_rest()
            self.motion, self.state, self.phase, self.stopping = Motion(words.number), HOMING, 0, False
        elif kind == "M" and code == 110:
            if not v["K"]:
                raise CommandRefused("syntax")
            self.nonce, self.host_watch = v["K"], 0.0
        elif kind == "M" and code == 400:
            self.waiting = words.number
        elif kind == "M" and code in (155, 113):
            low, high = (100, 5000) if code == 155 else (500, 60000)
            if v["S"] and not low <= v["S"] <= high:
                raise CommandRefused("range")
            if code == 155:
                self.telemetry_every = self.telemetry_in = v["S"] / 1000
            else:
                self.host_watch = v["S"] / 1000
        elif kind == "M" and code == 211:
            if v["Z"] > TOP_UM:
                raise CommandRefused("range")
            self.floor = steps(v["Z"])
        elif kind == "M" and code == 212:
            if not self.turner.fitted:
                raise CommandRefused("unsupported")
            if not BUILT_IN_UM <= v["Z"] <= TOP_UM - 500:
                raise CommandRefused("range")
            self.turner.lowest_um = v["Z"]
        elif kind == "M" and code in (3, 4, 5, 213):
            self.source.obey(code, v, self._must_rest, bool(self.host_watch))
        elif kind == "M" and code == 18:
            if self.state != IDLE:
                raise CommandRefused("halt" if self.state == HALT else "busy")
            self.homed = self.counted = self.error_known = False
            self.turner.void()
        elif kind == "M" and code == 999 and self.state == HALT:
            if self.stop_button:
                raise CommandRefused("halt")
            self.state = IDLE

    def _must_rest(self) -> None:
        if self.state == HALT:
            raise CommandRefused("halt")
        if self.state != IDLE:
            raise CommandRefused("busy")

    def _start_move(self, words: Words) -> None:
        self._must_rest()
        if not self.homed:
            raise CommandRefused("unhomed")
        v = words.values
        feed = v.get("F", F_MAX)
        target = steps(v["Z"])
        if not F_MIN <= feed <= F_MAX or v["Z"] > TOP_UM or target < self.floor:
            raise CommandRefused("range")
        speed = steps_a_second(feed)
        legs = [Leg(target, speed)]
        if words.code == 60:
            take_up = steps(v["R"])
            if v["R"] > 1000 or v["Z"] + v["R"] > TOP_UM:
                raise CommandRefused("range")
            if target > self.count or self.closing + (self.count - target) < take_up:
                legs.insert(0, Leg(target + take_up, speed))
        if legs[-1].to < self.count and self.turner.between:
            raise CommandRefused("unhomed")
        self.motion, self.state, self.stopping = Motion(words.number, legs), MOVE, False

    @property
    def _high_enough(self) -> bool:
        """For a turn: even if every opening step since the homing had been lost."""
        return round(HOME - self.closed) >= steps(self.turner.lowest_um)

    def _start_turn(self, words: Words) -> None:
        if not self.turner.fitted:
            raise CommandRefused("unsupported")
        self._must_rest()
        if not self.homed or self.turner.between:
            raise CommandRefused("unhomed")
        if words.values["A"] not in (0, 180_000):
            raise CommandRefused("range")
        if not self._high_enough:
            raise CommandRefused("interlock")
        self.motion, self.state, self.stopping = Motion(words.number), MOVE, False
        self.turner.begin("over" if words.values["A"] else "back")

    def _finish(self, result: int) -> None:
        motion, self.motion = self.motion, None
        if self.state != HALT:
            self.state = IDLE
        self.speed, self.stopping, self.result = 0.0, False, result
        if motion is not None:
            self.done = motion.number
            self._say(
                f"dn N{self.done} K{self.nonce} R{result} {self._where()} {self._error}{self.turner.words}"
            )
        if self.waiting:
            number, self.waiting = self.waiting, 0
            where = f"{self._where()} {self._error}{self.turner.words}"
            self._say(f"dn N{number} K{self.nonce} R{result} {where}")

    def _halt(self, cause: int) -> None:
        ran = self.state in (MOVE, HOMING, DWELL)
        self.homed, self.state, self.speed = False, HALT, 0.0
        self.turner.void()
        self._say(f"ha K{self.nonce} C{cause} {self._where()}{self.turner.words}")
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
        self.turner.step(dt, self._high_enough)
        if self.stop_button and self.state != HALT:
            self._halt(2)
        if self.telemetry_every:
            self.telemetry_in -= dt
            if self.telemetry_in <= 0.0:
                self.telemetry_in += self.telemetry_every
                self._telemetry()
        if self.waiting and self.state in (IDLE, HALT):
            self._finish(self.result)
        self.host_silent += dt
        silent = self.host_silent > self.host_watch
        if off := self.source.step(dt, self.state in (MOVE, HOMING), self.state == HALT, silent):
            self._say(f"cu K{self.nonce}{off}")
        if self.state in (MOVE, HOMING, DWELL) and self.host_watch and silent:
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
        elif self.state == MOVE and not motion.legs:
            self._turning()
        elif self.state == MOVE:
            if self._along(motion.legs[0], dt):
                motion.legs.pop(0)
                if self.stopping:
                    self._finish(self._stop_result)
                elif not motion.legs:
                    self._finish(DONE)
        elif self.state == HOMING:
            self._home(motion, dt)

    def _turning(self) -> None:
        if self.stopping:
            self.turner.void()
            self._finish(self._stop_result)
        elif not self.turner.task:
            self._finish(DONE if self.turner.at_end else NO_ANGLE)

    def _along(self, leg: Leg, dt: float) -> bool:
        """Move along a leg for ``dt``; True when it has ended. Ramps up and down, never past its end."""
        direction = 1.0 if leg.to > self.count else -1.0
        if direction < 0 and self.state == MOVE and self.turner.between:
            self._halt(4)
            return False
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
            self.closed -= by
        self.stage.turn(by)

    def _home(self, motion: Motion, dt: float) -> None:
        if self.phase == FINDING:  # up, and clear of everything: now the angle
            if self.stopping:
                self.turner.void()
                self._finish(self._stop_result)
            elif not self.turner.task:
                self._homed(DONE if self.turner.at_end else NO_ANGLE)
            return
        if not motion.legs:
            here, fast = self.count, steps_a_second(SEEK_FEED)
            if self.phase == 0 and self.stage.pressed:
                self.phase = 1
            legs = {
                0: Leg(here + SEEK, fast, "pressed"),
                1: Leg(here - BACK_OFF, fast),
                2: Leg(here + 2 * BACK_OFF, steps_a_second(SECOND_FEED), "pressed"),
                3: Leg(here - BACK_OFF, steps_a_second(EDGE_FEED), "released"),
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
        if self.phase == 1 and self.stage.pressed:  # stuck: back, so that no try leads nearer
            self.phase = GIVEN_UP
            motion.legs.append(Leg(self.count + BACK_OFF, leg.speed))
            return
        if missed or self.phase == GIVEN_UP:
            self.homed = False
            self._finish(NO_SWITCH)
            return
        if self.phase == 3:
            scatter = float(self.rng.normal(0.0, self.stage.mechanics.homing_scatter)) * STEPS_PER_MM
            known = self.counted or (self.untold and self.error_known)
            self.error_kept = known and (self.untold or not self.homed or self.turner.between)
            earlier = self.home_error if self.untold else 0
            self.home_error = round(self.count) - HOME + earlier if known else 0
            self.count, self.homed, self.error_known, self.untold = HOME + scatter, True, known, True
            self.closed = -scatter
        self.phase += 1
        if self.phase == FINDING and self.turner.between:
            self.turner.begin("find")
        elif self.phase == FINDING:
            self._homed(DONE)

    def _homed(self, result: int) -> None:
        if result == DONE:
            self.counted, self.untold = True, False
        self._finish(result)

    def _telemetry(self) -> None:
        level = (1.5 + self.vibration + (4.0 if self.speed else 0.0)) * float(self.rng.uniform(0.9, 1.1))
        sensors = telemetry_words(self.temperature, self.hall, level)
        lost = " A?" if self.turner.between and not self.turner.task else ""
        ms = round(self.time * 1000)
        self._say(f"tm K{self.nonce} T{ms} {self._where()} {sensors}{self.source.telemetry}{lost}")
