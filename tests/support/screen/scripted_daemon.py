"""A feed without a daemon: a bench of the co-operative played from a script, for driving the screen."""

from __future__ import annotations

import asyncio
import math
from collections.abc import AsyncIterator
from typing import Any

from weighloop.daemon.protocol import (
    Action,
    Device,
    Live,
    LogLine,
    Point,
    Run,
    RunLine,
    Snapshot,
    Step,
)
from weighloop.tui.state.follower import CallRefused, FeedLost

UTC = "2026-03-04T09:{:02d}:{:02d}+00:00"

BENCH = """\
[reference_magnet]
shape = "cylinder"
diameter = "20 mm"
height = "10 mm"
remanence = "1.32 T +/- 0.02 T"
pan_load = "150 g"

[sample]
name = "WP-07-3"
shape = "cylinder"
diameter = "6.00 mm +/- 0.02 mm"
height = "3.00 mm +/- 0.02 mm"
mass = "412 mg +/- 1 mg"

[gap]
contact = "1.00 mm +/- 0.05 mm"
ladder = "{ladder}"
spacer = "1.00 mm +/- 0.02 mm"
spacers = 30

[balance]
port = "/dev/ttyUSB0"
dialect = "status-line"
resolution = "1 mg"
capacity = "220 g"
attraction = "lighter"

[lift]
port = "/dev/ttyACM0"

[site]
latitude = "53.4 deg"
altitude = "60 m"
temperature = "21 degC"
"""


def field_at(gap: float) -> float:
    """Axial field of the 20 x 10 mm cylinder of 1.32 T, 1.5 mm above the gap, A/m (closed form)."""
    z, radius, height = gap + 1.5e-3, 10e-3, 10e-3
    ends = (z + height) / math.hypot(z + height, radius) - z / math.hypot(z, radius)
    return 1.32 / 2 * ends / (4e-7 * math.pi)


def pull_at(gap: float, magnetisation: float) -> float:
    """Pull on a 6 x 3 mm disc in kg, by the centre's gradient: a picture's accuracy is enough."""
    step = 1e-5
    gradient = 4e-7 * math.pi * (field_at(gap + step) - field_at(gap - step)) / (2 * step)
    return -math.pi * (3e-3) ** 2 * 3e-3 * magnetisation * gradient / 9.813


def magnetisation_at(field: float, falling: bool) -> float:
    """A ferrite-like loop of a disc (300 kA/m, HcJ 90 kA/m, N 0.47) in the applied ``field``, by halving."""
    coercivity = 90e3 if falling else -90e3
    low, high = -300e3, 300e3
    for _ in range(60):
        M = (low + high) / 2
        inside = 300e3 * math.tanh((field - 0.47 * M + coercivity) / 60e3)
        low, high = (M, high) if inside > M else (low, M)
    return (low + high) / 2


def plan(points: int = 12, ladder: str = "lift") -> list[Step]:
    """The steps of a run with ``points`` gaps a passage."""
    gaps = [1e-3 + 29e-3 * (k / (points - 1)) ** 1.6 for k in range(points)][::-1]
    if ladder == "spacers":
        gaps = [1e-3 * round(gap * 1e3) for gap in gaps]
    steps: list[Step] = []

    def add(kind: Any, leg: int, gap: float | None, orientation: int) -> None:
        field = reading = None
        if gap is not None:
            field = orientation * field_at(gap)
            falling = leg in (1, 2)
            reading = -orientation * pull_at(gap, magnetisation_at(field, falling))
        steps.append(
            Step(
                step=len(steps) + 1,
                kind=kind,
                leg=leg,
                gap_m=gap,
                height_m=None if gap is None else gap - 1e-3,
                spacers=round(gap * 1e3) - 1 if gap is not None and ladder == "spacers" else None,
                orientation=orientation,
                H_applied_A_per_m=field,
                predicted_reading_kg=reading,
            )
        )

    for leg, (inward, orientation) in enumerate([(1, 1), (0, 1), (1, -1), (0, -1), (1, 1)]):
        if leg in (0, 2, 4):
            add("zero", leg, None, orientation)
        for gap in (gaps if inward else gaps[-2::-1]) if leg in (0, 1, 3) else gaps[1:]:
            add("point", leg, gap, orientation)
    add("zero", 4, None, 1)
    return steps


def plan_answer(*warnings: str) -> dict[str, Any]:
    """What the daemon answers to ``run.plan``."""
    return {
        "steps": plan(),
        "seconds": 1500.0,
        "largest_pull_kg": 0.118,
        "expected_u_M_A_per_m": [120.0, 1300.0],
        "warnings": list(warnings),
    }


def points_of(steps: list[Step], done: int) -> list[Point]:
    """Readings for the first ``done`` steps, each a little off what was expected."""
    points = []
    for k, step in enumerate(steps[:done]):
        reading = step["predicted_reading_kg"]
        if step["kind"] == "turn":
            continue
        points.append(
            Point(
                id=k + 1,
                step=step["step"],
                kind="zero" if step["kind"] == "zero" else "point",
                leg=step["leg"],
                gap_m=step["gap_m"],
                height_m=step["height_m"],
                spacers=step["spacers"],
                orientation=step["orientation"],
                value_kg=(reading or 0.0) + 1e-6 * math.sin(7.0 * k),
                u_kg=0.6e-6,
                drift_kg_per_s=0.0,
                time_s=20.0 * k,
                utc=UTC.format(k // 3, 20 * (k % 3)),
                settled_in_s=6.0,
                temperature_K=294.1,
                set_aside=None,
                note="",
            )
        )
    return points


def action(
    code: Any, text: str, confirm: bool = False, choices: list[str] | None = None, **more: Any
) -> Action:
    """An action of the protocol."""
    return Action(
        code=code,
        text=text,
        needs_confirm=confirm,
        choices=choices or [],
        spacers=more.get("spacers"),
        orientation=more.get("orientation"),
        hint=more.get("hint", ""),
        sets_spacers=more.get("sets_spacers", code == "set-spacers"),
    )


def run_at(done: int = 17, ladder: str = "lift", state: Any = "running", **more: Any) -> Run:
    """A run of WP-07-3 with ``done`` steps behind it."""
    steps = plan(ladder=ladder)
    done = min(done, len(steps))
    return Run(
        id=12,
        sample="WP-07-3",
        state=state,
        why=more.get("why", ""),
        ladder=ladder,  # pyright: ignore[reportArgumentType]
        started_utc=UTC.format(0, 0),
        ended_utc=None,
        steps=steps,
        steps_done=done,
        seconds_left=20.0 * (len(steps) - done),
        action=more.get("action", action("wait-reading", "The reading is being taken; keep still.")),
        points=points_of(steps, done),
        bench_text=BENCH.format(ladder=ladder),
        hands_free=ladder == "spacers",
    )


def live_at(time: float, value: float = -12.3456e-3, **more: Any) -> Live:
    """A live word: settling, about 6 s more."""
    return Live(
        time_s=time,
        reading_kg=more.get("reading", value),
        mark=more.get("mark", "unsteady"),
        accepted=more.get("accepted", False),
        reason=more.get("reason", "still settling"),
        text=more.get("text", "still settling"),
        value_kg=value,
        u_kg=0.8e-6,
        drift_kg_per_s=0.0,
        breathing_Hz=0.27,
        seconds_left=more.get("left", 6.0),
    )


def device(port: str, state: str = "ready", age: float | None = 0.1) -> Device:
    """A device as the daemon tells of it."""
    return Device(state=state, why="", port=port, age_s=age, lines=4120, refused=2)


#: What the lift's probes say: 22.4 degrees Celsius, a Hall probe, an accelerometer.
TELEMETRY = {"temperature_K": 295.55, "hall_V": 2.6134, "vibration_V": 0.0042}


def snapshot(run: Run | None = None, live: Live | None = None, lift: bool = True) -> Snapshot:
    """A whole picture."""
    log = [
        LogLine(id=k, run=12, utc=UTC.format(k, 10), kind="note", text=text)
        for k, text in enumerate(
            [
                "Planned: WP-07-3, 59 steps",
                "Zero: 0.0010 g ± 0.6 mg",
                "Point at 30.00 mm: −0.0420 g ± 0.6 mg",
                "shim swapped for a fresh one",
            ]
        )
    ]
    return Snapshot(
        utc=UTC.format(20, 0),
        clock_s=100.0,
        balance=device("/dev/ttyUSB0"),
        lift={**device("/dev/ttyACM0"), "telemetry": TELEMETRY} if lift else None,
        live=live,
        run=run,
        log=log,
        controller=None,
        bench_text="",
        store={"uuid": "a script's", "epoch": "first"},
    )


class ScriptedFeed:
    """A feed that answers from a table, remembers every call, and says what a test puts into it."""

    where = "a script"

    def __init__(self, first: Snapshot) -> None:
        self.first = first
        self.calls: list[tuple[str, dict[str, Any]]] = []
        self.answers: dict[str, Any] = {"runs.list": [], "run.start": 13}
        self.refuse: dict[str, CallRefused] = {}
        self.queue: asyncio.Queue[dict[str, Any] | FeedLost] = asyncio.Queue()
        self.connects = 0
        self.absent, self.why = False, "no daemon answers at a script"
        self._seq = 0

    async def connect(self) -> None:
        self.connects += 1
        if self.absent:
            raise FeedLost(self.why)

    async def call(self, method: str, **params: Any) -> Any:
        if method != "snapshot":
            self.calls.append((method, params))
        if method in self.refuse:
            raise self.refuse.pop(method)
        if method == "snapshot":
            return self.first
        answer = self.answers.get(method, True)
        return answer(**params) if callable(answer) else answer

    async def events(self) -> AsyncIterator[dict[str, Any]]:
        while True:
            event = await self.queue.get()
            if isinstance(event, FeedLost):
                raise event
            yield event

    async def close(self) -> None:
        pass

    def say(self, topic: str, data: Any, missed: int = 0) -> None:
        """Put one event on the wire."""
        self._seq += 1
        self.queue.put_nowait({"seq": self._seq, "topic": topic, "missed": missed, "data": data})

    def lose(self, why: str = "the daemon has closed the link") -> None:
        """Break the link; while nobody answers, that is why."""
        self.why = why
        self.queue.put_nowait(FeedLost(why))

    def asked(self, method: str) -> list[dict[str, Any]]:
        """The parameters of every call of ``method``."""
        return [params for name, params in self.calls if name == method]


def run_line(number: int, sample: str, state: Any = "finished") -> RunLine:
    """One line of the list of runs."""
    return RunLine(
        id=number,
        sample=sample,
        state=state,
        why="",
        started_utc=UTC.format(number, 0),
        ended_utc=UTC.format(number + 20, 0),
        points=56,
        notes=[],
        hidden=False,
        upto=100 * number,
    )
