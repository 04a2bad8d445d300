"""The whole bench in one piece, on a clock of its own that somebody else turns.

``TwinBench.advance`` passes time and returns the lines the devices have said; nothing in here
waits, so a night takes seconds in a test, and ``serve`` turns the same clock in step with life.
Seeded: the same seed and the same words at the same times give the same bytes.
"""

from __future__ import annotations

from collections.abc import Callable
from functools import cached_property
from pathlib import Path
from typing import Any, NamedTuple

import numpy as np

from . import bench_file as scenarios
from .acts import Act, Acts
from .balance import BalanceTwin
from .balance_protocol import VOICES
from .disturbances import Disturbances, Draught, Normals
from .lift.controller import LiftTwin
from .line_faults import Wire
from .person import CannotDo, Person, Story
from .room import Room
from .sample import AWAY
from .true_figures import truth

#: Time steps a second: well above the balance's own frequency.
RATE = 50
#: The sample's memory is brought up to date on the way whenever the gap has changed by this part of itself.
FINE = 0.1


class Line(NamedTuple):
    """Bytes that arrive at a port: when (s on the bench's clock), on which, what."""

    time: float
    port: str  # balance | lift
    data: bytes


class TwinBench:
    """Magnet, sample, balance, lift or spacers, and the person beside them.

    ``bench`` names a scenario file or a shipped one; ``dialect`` how the balance speaks; ``ladder``
    ``lift`` or ``spacers``; ``calm`` leaves the disturbances out.
    """

    def __init__(
        self,
        seed: int = 0,
        *,
        bench: str | Path = scenarios.DEFAULT,
        dialect: str = "status-line",
        ladder: str = "lift",
        calm: bool = False,
        turner: bool | None = None,
    ) -> None:
        if dialect not in VOICES:
            raise ValueError(f"dialect {dialect!r}: one of {', '.join(VOICES)}")
        if ladder not in ("lift", "spacers"):
            raise ValueError(f"ladder {ladder!r}: lift or spacers")
        self.seed, self.dialect, self.ladder = seed, dialect, ladder
        self.scenario = scenarios.read(bench, seed=seed, calm=calm)
        if ladder == "spacers" and not self.scenario.shims:
            raise ValueError(f"{self.scenario.path.name} has no spacers")
        weigh, disturb, lift, air, wire_b, wire_l = np.random.SeedSequence(seed).spawn(6)
        self.dt = 1.0 / RATE
        self.balance = BalanceTwin(self.scenario.balance, weigh, self.dt)
        self.disturbances = Disturbances(disturb, self.dt, self.scenario.levels)
        fitted = self.scenario.turner_fitted if turner is None else turner
        self.turner = fitted and ladder == "lift"
        self.lift = LiftTwin(
            self.scenario.mechanics, lift, self.scenario.turner if self.turner else None, self.scenario.source
        )
        self.wires = {"balance": Wire(wire_b), "lift": Wire(wire_l)}
        self.voice = VOICES[dialect](self.balance)
        self.person = Person(self)
        self._air = Normals(air)
        self.room = Room(self.scenario, self._air)
        self.pellet = self.scenario.pellet()
        self.coil = self.scenario.winding()
        self.lift.source.load = self.coil  # plugged in, wherever the coil itself lies
        self.supply = 0.0  # A, of a laboratory supply in the coil's plug
        self.sample_on = False
        self._held = 1  # the sample's orientation where the turner stands upright
        self.spacers = len(self.scenario.shims)
        self.lifted_off = self.magnet_away = False  # with the sample; in a hand
        self.extra_load: list[tuple[float, float]] = []  # (until, g)
        self._ticks = 0
        self._reading_due = 0.0
        self._pull = 0.0
        self._last_gap = self.gap
        self._direction = 0
        self._lines: list[Line] = []
        self._acts = Acts()
        self.put_on()
        self.balance.settle(self.load)
        self.balance.press_zero()

    # -- the clock ----------------------------------------------------------------------------

    @property
    def now(self) -> float:
        """The bench's clock, s."""
        return self._ticks / RATE

    def advance(self, seconds: float) -> list[Line]:
        """Let this many seconds pass (to the next time step) and return what was said."""
        end = round((self.now + seconds) * RATE)
        while self._ticks < end:
            self._step()
        lines, self._lines = self._lines, []
        return lines

    def _step(self) -> None:
        self._ticks += 1
        now = self._ticks / RATE
        self._acts.go_on(now)
        if self.ladder == "lift":
            self.lift.step(self.dt)
            if self.lift.out:
                self._say("lift", b"".join(self.lift.out))
                self.lift.out.clear()
        self._follow()
        if self.coil is not None:
            self.coil.carry(self.coil_current, self.dt)
            if self.coil.on:
                self._show_pull(self.coil.attraction(self.gap, self.coil_current, self.coil_end))
        self._weigh()
        if now >= self._reading_due:
            self._reading_due += 1.0 / self.scenario.balance.rate
            self.lift.temperature = self.room.shown(now)
            if self.room.warm(now, self.pellet, self.coil) and self.sample_on:
                self._weigh_pull()
            self.balance.refresh()
            if self.voice.talks:
                self._say("balance", self.voice.line(self.balance.shown))

    def _say(self, port: str, data: bytes) -> None:
        arrived = self.wires[port].carry(self.now, data) if data else b""
        if arrived:
            self._lines.append(Line(self.now, port, arrived))

    def write(self, port: str, data: bytes) -> None:
        """Bytes from the host to ``balance`` or ``lift``; answers come with the next ``advance``."""
        if port == "balance":
            self._say("balance", self.voice.hear(data))
        elif self.ladder == "lift":
            self.lift.feed(data)

    # -- the sample ---------------------------------------------------------------------------

    @property
    def gap(self) -> float:
        """True gap between magnet and holder, m."""
        if self.ladder == "lift":
            return self.scenario.contact + self.lift.stage.height + self.lift.turner.shift
        return self.scenario.contact + sum(self.scenario.shims[: self.spacers])

    @property
    def load(self) -> float:
        """What the pan carries, g: magnet, riser, the spacers under it, less the pull (or plus)."""
        load = self.scenario.pan_load
        if self.ladder == "spacers":
            load += sum(self.scenario.shim_masses[self.spacers :])
        sign = -1.0 if self.scenario.attraction == "lighter" else 1.0
        load += sign * self._pull
        load += sum(g for until, g in self.extra_load if until > self.now)
        return 0.0 if self.lifted_off or self.magnet_away else load

    def _weigh(self) -> None:
        """Pass one time step to the balance."""
        if (load := self.load) < 0.0:
            # The pull is more than stands on the pan: the magnet jumps to the sample and stays there.
            self.lifted_off, load = True, 0.0
        self.balance.step(load + self.disturbances.step())

    def take_off(self) -> None:
        """The sample goes away from the magnet through every field between."""
        self.sample_on = False
        self.lifted_off = False
        self._carry(AWAY)

    def put_on(self) -> None:
        """The sample comes to its holder through every field between."""
        self.sample_on = True
        self._carry(self.gap)
        self._last_gap, self._direction = self.gap, 0

    @property
    def aspect(self) -> float:
        """The part of the magnet's field that points along the sample's own axis: +1, -1, or between."""
        return self._held * self.lift.turner.cosine

    @property
    def orientation(self) -> int:
        """The nearer of the two ways, +1 or -1."""
        return 1 if self.aspect > 0 else -1

    @orientation.setter
    def orientation(self, orientation: int) -> None:
        self._held = orientation * self.orientation * self._held

    def _carry(self, gap: float) -> None:
        self.pellet.travel(gap, self.aspect)
        self._weigh_pull()

    def _weigh_pull(self) -> None:
        self._show_pull(self.pellet.attraction)

    def _show_pull(self, attraction: float) -> None:
        # A balance shows the weight in air that would pull as hard: weights of 8000 kg/m³, air of 1.2 kg/m³.
        newton_per_gram = self.scenario.gravity * (1.0 - 1.2 / 8000.0) * 1e-3
        self._pull = attraction / newton_per_gram

    @property
    def coil_current(self) -> float:
        """What really flows in the coil, A: from the lift's source, or from a supply in its place."""
        return self.supply or self.lift.source.current

    def move_seat(self, x: float, y: float) -> None:
        """The seat's two screws: sample and coil stand there (m) from where they stood at first."""
        offset = float(np.hypot(self.scenario.offset + x, y))
        for hung in (self.pellet, self.coil):
            if hung is not None:
                hung.move_aside(offset)
        if self.sample_on:
            self._carry(self.gap)

    @property
    def coil_end(self) -> int:
        """The coil's end that is down, +1 or -1: as it was put on, and as the turner holds it."""
        assert self.coil is not None
        return self.coil.end if self.lift.turner.cosine > 0 else -self.coil.end

    def hang_coil(self, end: int | None) -> None:
        """The coil comes to the holder, that end down; None: it goes away."""
        assert self.coil is not None
        self.coil.on, self.coil.end = end is not None, end or self.coil.end
        self._show_pull(0.0)

    def _follow(self) -> None:
        """Bring the sample's memory up to date with where its holder has gone.

        Between two turnings the path is one-way, so the turnings decide what is remembered; the
        steps between only keep the displayed force in step.
        """
        if self.ladder != "lift" or not self.sample_on:
            return
        gap, last = self.gap, self._last_gap
        pellet = self.pellet
        direction = (gap > last) - (gap < last)
        turned = direction and self._direction and direction != self._direction
        if turned and pellet.gap != last:
            pellet.follow(last, self.aspect)
        stands = direction == 0 and pellet.gap != gap
        if stands or abs(gap - pellet.gap) > FINE * gap or self.aspect != pellet.orientation:
            pellet.follow(gap, self.aspect)
            self._weigh_pull()
            self.lift.hall = float(pellet.magnet.field(*np.array([[0.0], [0.0], [gap + 8e-3]]))[0][0])
        self._direction = direction or self._direction
        self._last_gap = gap

    # -- what a person does, and what goes wrong --------------------------------------------------

    def begin(self, request: dict[str, Any], then: Callable[[dict[str, Any]], None] | None = None) -> Act:
        """Start what ``request`` asks for; ``then`` gets the answer when it is done.

        ``{"do": NAME, ...}``; see ``hands`` and ``levers`` for the names.
        """
        return self._acts.begin(request, self.hands() | self.levers(), self.now, then)

    def do(self, name: str, **parameters: Any) -> dict[str, Any]:
        """Do it and pass the time it takes; the lines said meanwhile come with the next ``advance``."""
        act = self.begin({"do": name, **parameters})
        while act.answer is None:
            self._step()
        return act.answer

    def hands(self) -> dict[str, Callable[..., Story]]:
        """What the person can be asked to do, by name: each takes its time."""
        person = self.person
        return {
            "remove-sample": person.remove_sample,
            "place-sample": person.place_sample,
            "turn-over": person.turn_over,
            "set-spacers": person.set_spacers,
            "turn-magnet": person.turn_magnet,
            "tap": person.tap,
            "press-zero": person.press_zero,
            "place-coil": person.place_coil,
            "remove-coil": person.remove_coil,
            "set-current": person.set_current,
            "move-seat": person.move_seat,
        }

    def levers(self) -> dict[str, Callable[..., Any]]:
        """What can be made to go wrong, or asked, by name: each at once."""
        return {
            "garbage": self._spoil("garbage_until"),
            "silence": self._spoil("silent_until"),
            "half-lines": self._spoil("halves_until"),
            "wrong-baud": self._spoil("wrong_baud_until"),
            "lift-stuck": self._stick,
            "lift-reset": lambda: self.lift.reset(),
            "lift-stop": self._press_stop,
            "lose-steps": lambda n: self.lift.stage.turn(float(n)),
            "turner-stuck": self._stick_turner,
            "turner-lose": self._lose_turns,
            "turner-light": self._force_light,
            "coil-lead": self._break_lead,
            "source-plug": self._pull_plug,
            "overload": lambda grams=300.0, seconds=3.0: self.extra_load.append(
                (self.now + seconds, float(grams))
            ),
            "bump": lambda grams=5.0: self.disturbances.knock(float(grams)),
            "draught": self._open_window,
            "heating": lambda kelvin, hours: self.room.heating(kelvin, hours, self.now),
            "truth": lambda: self.truth,
            "bench-file": self.stated,
            "state": self.state,
        }

    @cached_property
    def truth(self) -> dict[str, Any]:
        """What the analysis should find; see ``truth``."""
        return truth(self.scenario)

    def stated(self, seed: int) -> dict[str, Any]:
        """Another bench file of this bench: its values drawn again about the truth by what they state."""
        text = scenarios.bench_file(
            self.scenario,
            seed=int(seed),
            dialect=self.dialect,
            ladder=self.ladder,
            balance_port="",
            lift_port="none" if self.ladder == "lift" else None,
            turner=self.turner,
        )
        return {"text": text}

    def state(self) -> dict[str, Any]:
        """How things really are, SI."""
        return {
            "time_s": self.now,
            "gap_m": self.gap,
            "height_m": self.gap - self.scenario.contact,
            "angle_deg": self.lift.turner.angle if self.turner else None,
            "spacers": self.spacers if self.ladder == "spacers" else None,
            "sample_on": self.sample_on,
            "orientation": self.orientation,
            "force_N": self.pellet.attraction if self.sample_on else 0.0,
            "pull_kg": self._pull * 1e-3 if self.sample_on else 0.0,
            "load_kg": self.load * 1e-3,
            "M_A_per_m": self.pellet.mean_M,
            "coil_end": self.coil_end if self.coil is not None and self.coil.on else None,
            "coil_current_A": self.coil_current,
            "coil_warmth_K": self.coil.above_20 if self.coil is not None else None,
            "lifted_off": self.lifted_off,
            "drift_kg": self.disturbances.drift.value * 1e-3,
            "zero_kg": self.balance.zero * 1e-3,
            "gravity_m_per_s2": self.scenario.gravity,
        }

    def _spoil(self, what: str) -> Callable[..., None]:
        def spoil(seconds: float, port: str = "balance") -> None:
            if port not in self.wires:
                raise CannotDo(f"port {port!r}: balance or lift")
            setattr(self.wires[port], what, self.now + float(seconds))

        return spoil

    def _stick(self, stuck: bool = True) -> None:
        self.lift.stage.stuck = bool(stuck)

    def _stick_turner(self, stuck: bool = True) -> None:
        self.lift.turner.stuck = bool(stuck)

    def _lose_turns(self, n: int) -> None:
        self.lift.turner.losing = int(n)

    def _force_light(self, light: bool | None = None) -> None:
        self.lift.turner.light_forced = light

    def _break_lead(self, broken: bool = True) -> None:
        if self.coil is None:
            raise CannotDo("this bench has no coil")
        self.coil.broken = bool(broken)

    def _pull_plug(self, plugged: bool = False) -> None:
        self.lift.source.plugged = bool(plugged)

    def _press_stop(self, pressed: bool = True) -> None:
        self.lift.stop_button = bool(pressed)

    def _open_window(self, level: float) -> None:
        """A draught of ``level`` g; 0 closes the window."""
        self.disturbances.draught = Draught(self._air, self.dt, float(level))
