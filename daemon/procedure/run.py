"""What is known of a run: rebuilt, event by event, from the log and from nothing else."""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass, field
from functools import cached_property
from itertools import pairwise
from typing import Any, ClassVar, cast

from ..frozen import replace
from ..protocol import Point, Run, RunState, Step
from ..zeros import Zero, zeros

#: What a person's word or hands change of a run.
SAID = ("sample_on", "orientation", "spacers", "current_A", "current_asked_A", "seat_m")
#: Where a run stands in its life; from these there is no way on.
ENDED: frozenset[RunState] = frozenset(("finished", "stopped"))


@dataclass(frozen=True)
class LogEvent:
    """One line of the append-only log as it was committed.

    ``time_s`` is the daemon's monotonic clock, ``utc`` the wall clock; ``data`` is JSON.
    """

    id: int
    run: int | None
    time_s: float
    utc: str
    kind: str
    text: str
    data: dict[str, Any] = field(default_factory=dict)


@dataclass(frozen=True)
class Series:
    """A list of runs started together, such as a night's, and when no more of them are begun.

    ``number`` is that of its first run. It ends at the deadline (UTC, ISO 8601), when its runs were held
    ``most_held`` times in all, or after a run whose zero moved by more than ``most_drift_kg``; None: never.
    """

    number: int
    deadline_utc: str | None = None
    most_held: int | None = None
    most_drift_kg: float | None = None

    @classmethod
    def of(cls, data: dict[str, Any] | None) -> Series | None:
        """As an entry of the log has it."""
        return None if data is None else cls(**data)


@dataclass(frozen=True)
class RunRecord:
    """One run, folded from its events.

    ``plan`` are the steps first planned; ``steps`` those done and those still to do, which differ from the
    plan once a branch was started again. ``code`` says in a word why the run is held. ``sample_on``,
    ``orientation`` and ``spacers`` are what the person last said or showed; None is "not known".
    """

    id: int
    sample: str = ""
    ladder: str = "lift"
    bench_text: str = ""
    target_u_kg: float = 0.0
    seconds_planned: float = 0.0
    limits: dict[str, float] = field(default_factory=dict)
    state: RunState = "planned"
    why: str = ""
    code: str = ""
    started_utc: str = ""
    ended_utc: str | None = None
    plan: tuple[Step, ...] = ()
    steps: tuple[Step, ...] = ()
    done: int = 0
    points: tuple[Point, ...] = ()
    sample_on: bool | None = None
    orientation: int | None = None
    spacers: int | None = None
    version: str = ""
    not_before_utc: str | None = None
    unbroken: int = 0  # the event since which the balance's line was not interrupted, nor the run held
    homed: int = 0  # the event of the last homing: readings after it stand on it
    hands_free: bool = False  # the balance may show that an action was done
    turner: bool = False  # the lift turns the sample over
    unattended: bool = False  # held, it goes on by itself where that is safe
    spacers_on_pan: bool = True  # those between magnet and pan; else they lie under the sample
    resets: int = 0  # branches begun again because the lift lost its position, since a person let it go on
    attendance: tuple[tuple[float, str], ...] = ()  # when somebody is expected to be needed, s, and what for
    holds: int = 0  # how often it was held
    in_a_row: int = 0  # of these, since it last took a reading
    series: Series | None = None  # the list of runs that it was started with
    single: bool = False  # its steps are asked for one by one
    few: int = 0  # readings planned where the sample turns over, where the run is planned again as it goes
    coil: bool = False  # a coil is weighed in the sample's place
    source: bool = False  # the lift switches its current
    current_A: float | None = None  # the coil's, as it was last said or measured
    current_asked_A: float | None = None  # what it was set for
    seat_m: list[float] | None = None  # where its seat stands, x and y
    programme: str = ""  # another than the loop, by name; its legs are that one's passages
    gives: str = "loop"  # what its readings are read off for
    waits: int = 0  # the step whose gap is set, and which is read when that is asked for
    warnings: tuple[str, ...] = ()  # events that could not be used, in words
    notes: tuple[str, ...] = ()  # what people wrote down
    hidden: bool = False  # left out of lists; nothing else changes
    upto: int = 0  # the last event of it

    #: What is worked out once, and from which fields.
    MADE_OF: ClassVar = {"zeros": {"points"}, "readings": {"points"}, "saturated": {"plan", "steps"}}

    @property
    def next_step(self) -> Step | None:
        """The step under way or to come; None when all are done."""
        return self.steps[self.done] if self.done < len(self.steps) else None

    @property
    def every_step(self) -> tuple[Step, ...]:
        """Those of the plan, and those that were chosen since."""
        return (*self.plan, *self.steps)

    @property
    def spacers_with_sample(self) -> bool:
        """Whether the spacers are set as the sample is put back: hands-free, off the pan, only its pull shows
        them, and no zero depends on them. Nor does one with a coil."""
        return self.ladder == "spacers" and (self.coil or (self.hands_free and not self.spacers_on_pan))

    @property
    def unchecked(self) -> tuple[Point, ...]:
        """The readings in use whose heights no homing has confirmed yet."""
        return tuple(
            p for p in self.points if p["id"] > self.homed and p["kind"] == "point" and not p["set_aside"]
        )

    @cached_property
    def zeros(self) -> list[Zero]:
        """The zeros found so far."""
        return zeros(self.points)

    @cached_property
    def readings(self) -> list[float]:
        """Every reading with the sample on, kg, also those that were set aside."""
        return [p["value_kg"] for p in self.points if p["kind"] == "point"]

    @cached_property
    def saturated(self) -> tuple[tuple[float, float], ...]:
        """Heights (m) of readings with the sample on, and what one of a saturated sample would be (kg)."""
        gaps = [s for s in self.every_step if s["kind"] == "point"]  # a zero has none, not the closest
        expected = ((s["height_m"] or 0.0, s.get("saturated_reading_kg")) for s in gaps)
        return tuple(dict.fromkeys((at, value) for at, value in expected if value))

    @property
    def zero_moved(self) -> float:
        """How far apart its zeros lie, kg; 0 before there are two."""
        values = [zero.value for zero in self.zeros]
        return max(values) - min(values) if values else 0.0

    @property
    def zero(self) -> Zero | None:
        """The zero found last; None before there is one."""
        return self.zeros[-1] if self.zeros else None

    def last(self, kind: str) -> Point | None:
        """The last point of that kind still to be used."""
        for point in reversed(self.points):
            if point["kind"] == kind and point["set_aside"] is None:
                return point
        return None


def zeros_by_hand(plan: Iterable[Step]) -> bool:
    """Whether the sample is taken off for the zeros; else readings at the far end tell them."""
    return any(step["kind"] == "zero" for step in plan)


def apply(run: RunRecord, event: LogEvent) -> RunRecord:
    """The run after one more event. Pure; unknown kinds change nothing (older programs wrote them).

    An event that cannot be used is left out and named in ``warnings``: one of them must not cost the others.
    """
    run = replace(run, upto=event.id)
    try:
        return _apply(run, event)
    except (KeyError, TypeError, ValueError, AttributeError) as error:
        text = f"event {event.id} ({event.kind} of run {run.id}) cannot be used and is left out: {error!r}"
        return replace(run, warnings=(*run.warnings, text))


def _apply(run: RunRecord, event: LogEvent) -> RunRecord:
    data = event.data
    match event.kind:
        case "planned":
            steps = tuple(cast(list[Step], data["steps"]))
            return replace(
                run,
                sample=data["sample"],
                ladder=data["ladder"],
                bench_text=data["bench_text"],
                target_u_kg=data["target_u_kg"],
                seconds_planned=data["seconds"],
                limits=data.get("limits", {}),
                version=data.get("version", ""),
                not_before_utc=data.get("not_before_utc"),
                hands_free=data.get("hands_free", False),
                spacers_on_pan=data.get("spacers_on_pan", True),
                single=data.get("single", False),
                few=data.get("few", 0),
                programme=data.get("programme", {}).get("name", ""),
                gives=data.get("programme", {}).get("gives", "loop"),
                turner=data.get("turner", False),
                unattended=data.get("unattended", False),
                coil=data.get("coil", False),
                source=data.get("source", False),
                series=Series.of(data.get("series")),
                attendance=tuple((float(at), str(what)) for at, what in data.get("attendance", ())),
                # Whoever starts a run that needs no hands says with it that the sample is in its blade.
                sample_on=True if data.get("turner") and steps and not zeros_by_hand(steps) else None,
                started_utc=event.utc,
                plan=steps,
                steps=steps,
            )
        case "asked":
            return replace(
                run,
                steps=run.steps + tuple(cast(list[Step], data["steps"])),
                done=run.done + (1 if data.get("passed") else 0),
                waits=data["waits"],
                single=not data.get("finish"),
            )
        case "started" | "went-on":
            resets = run.resets if data.get("by") == "itself" else 0
            return replace(run, state="running", why="", code="", resets=resets, unbroken=event.id)
        case "held":
            return replace(
                run,
                state="held",
                why=data["why"],
                code=data["code"],
                holds=run.holds + 1,
                in_a_row=run.in_a_row + 1,
            )
        case "stopped" | "finished":
            return replace(
                run, state=cast(RunState, event.kind), why=data.get("why", ""), code="", ended_utc=event.utc
            )
        case "zero" | "point":
            point = cast(Point, {**data["point"], "id": event.id})
            before = _vouched_for(run) if point.get("vouched", True) else run.points
            return replace(run, points=(*before, point), done=_after(run, point["step"]), in_a_row=0)
        case "hands":
            # What the person did; a turn is itself a step of the plan.
            known = {key: data[key] for key in SAID if key in data}
            return replace(run, **known, done=run.done + (1 if data.get("step_done") else 0))
        case "current":
            return replace(run, current_A=data["current_A"], current_asked_A=data["current_asked_A"])
        case "turned":
            # A turn that ends after its branch was begun again is no step of it.
            here = run.next_step
            done = run.done + (here is not None and here["step"] == data["step"])
            return replace(run, orientation=data["orientation"], done=done)
        case "replanned":
            # Only while the step it follows is still to be done: what was decided too late is passed over.
            steps, after = run.steps, data["after"]
            kept = next((i + 1 for i in range(run.done, len(steps)) if steps[i]["step"] == after), None)
            fresh = tuple(cast(list[Step], data["steps"]))
            return run if kept is None else replace(run, steps=steps[:kept] + fresh)
        case "restarted":
            fresh = tuple(cast(list[Step], data["steps"]))
            aside = {int(number): why for number, why in data["set_aside"].items()}
            # A reading that was on its way into the log when the branch was spoilt goes with it.
            late = [p for p in run.points if p["leg"] in data.get("legs", ()) and p["kind"] == "point"]
            reason = f"the branch was started again: {data['why']}"
            aside |= {p["id"]: reason for p in late if p["set_aside"] is None and p["id"] not in aside}
            resets = run.resets + (data.get("code") == "lift")
            steps = run.steps[: run.done] + fresh
            points = _set_aside(run.points, aside)
            return replace(run, steps=steps, points=points, resets=resets, current_asked_A=None)
        case "homed":
            return replace(run, homed=event.id)
        case "set-aside":
            return replace(run, points=_set_aside(run.points, {data["point"]: data["why"]}))
        case "note":
            return replace(run, notes=(*run.notes, event.text))
        case "renamed":
            return replace(run, sample=str(data["sample"]))
        case "hidden":
            return replace(run, hidden=bool(data["hidden"]))
        case _:
            return run


def _after(run: RunRecord, step: int) -> int:
    """How many steps are done with this one; right even where the event of one before it is missing."""
    here = (i + 1 for i, s in enumerate(run.steps[run.done :], run.done) if s["step"] == step)
    return next(here, run.done + 1)


def _vouched_for(run: RunRecord) -> tuple[Point, ...]:
    """The points where one that the balance clearly answered vouches for those since the last break."""
    return tuple(
        cast(Point, {**p, "vouched": True}) if p["id"] > run.unbroken and not p.get("vouched", True) else p
        for p in run.points
    )


def _set_aside(points: tuple[Point, ...], why: dict[int, str | None]) -> tuple[Point, ...]:
    return tuple(
        cast(Point, {**point, "set_aside": why[point["id"]]}) if point["id"] in why else point
        for point in points
    )


def replay(number: int, events: Iterable[LogEvent]) -> RunRecord:
    """The run as its events tell it, in the order they were committed."""
    run = RunRecord(id=number)
    for event in events:
        run = apply(run, event)
    return run


def seconds_left(run: RunRecord) -> float | None:
    """Time to the end, s, by the plan's rate first and by the run's own as soon as it has one."""
    if run.state in ENDED or run.single or not run.steps:
        return None
    left = len(run.steps) - run.done
    times = [p["time_s"] for p in run.points[-12:]]
    if any("wait_s" in step for step in run.steps):  # most of its time is in a few of its steps
        return run.seconds_planned - _waited(run)
    if len(times) >= 4 and times[-1] > times[0]:
        return left * (times[-1] - times[0]) / (len(times) - 1)
    return run.seconds_planned * left / len(run.steps)


def _waited(run: RunRecord) -> float:
    """How much of a plan with waits is behind it, s: what it waited, and of the rest its share by steps."""
    at = [0.0, *(step.get("wait_s", 0.0) for step in run.steps)]
    waits = [max(after - before, 0.0) for before, after in pairwise(at)]
    rest = max(run.seconds_planned - sum(waits), 0.0)
    return sum(waits[: run.done]) + rest * run.done / len(run.steps)


def due(run: RunRecord | None, step: Step | None) -> float:
    """Before which a step is not read, s by the daemon's clock: where a gap is held, so long after its first
    reading."""
    held = -math.inf
    if run is None or step is None or "wait_s" not in step:
        return held
    for point in reversed(run.points):
        if any(point[key] != step[key] for key in ("kind", "orientation", "height_m")):
            break
        held = point["time_s"] + step["wait_s"]
    return held


def to_protocol(run: RunRecord, action: Any) -> Run:
    """The run whole, as clients see it; ``action`` is what happens next."""
    found: Run = {
        "id": run.id,
        "sample": run.sample,
        "state": run.state,
        "why": run.why,
        "ladder": cast(Any, run.ladder),
        "started_utc": run.started_utc,
        "ended_utc": run.ended_utc,
        "steps": list(run.steps),
        "steps_done": run.done,
        "seconds_left": seconds_left(run),
        "action": action,
        "points": list(run.points),
        "bench_text": run.bench_text,
        "hands_free": run.hands_free,
        "turner": run.turner,
        "unattended": run.unattended,
        "coil": run.coil,
        "warnings": list(run.warnings),
        "notes": list(run.notes),
        "hidden": run.hidden,
    }
    return {**found, "programme": run.programme, "gives": run.gives} if run.programme else found


def edit_of(run: RunRecord, what: str, value: str | bool) -> tuple[str, str, dict[str, Any]]:
    """Kind, text and data of the event by which a person changes a run: ``rename``, ``note`` or ``hide``.

    Raises ValueError in words where the change says nothing.
    """
    words = value.strip() if isinstance(value, str) else ""
    match what:
        case "rename" if words:
            return "renamed", f"Sample renamed: {run.sample} is now {words}", {"sample": words}
        case "note" if words:
            return "note", words, {}
        case "hide" if isinstance(value, bool):
            text = "Hidden from the list of runs" if value else "Back in the list of runs"
            return "hidden", text, {"hidden": value}
    raise ValueError("the new name is empty" if what == "rename" else "a note has a text")
