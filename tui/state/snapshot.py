"""What the screen knows: the daemon's snapshot, kept up to date event by event."""

from __future__ import annotations

import math
import time
import tomllib
from collections import deque
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from functools import lru_cache
from typing import Any, cast

from ...daemon.protocol import Device, Live, LogLine, Point, Run, Snapshot, Step
from ...daemon.zeros import zeros

#: Readings kept for the live trace: ten minutes at ten a second.
TRACE_LENGTH = 6000
LOG_LENGTH = 500
#: Readings come at 1 to 50 a second; after this many seconds the number on show is old (common practice).
STALE_AFTER_S = 2.5


@dataclass
class LiveSnapshot:
    """The state a screen draws. Held by the app, changed only by the feed's follower."""

    linked: bool = False
    why: str = "Not connected yet."
    balance: Device | None = None
    lift: Device | None = None
    live: Live | None = None
    run: Run | None = None
    #: Of the bench file the daemon was started with; empty where there was none.
    started_with: str = ""
    controller: str | None = None
    #: Whether this screen may not act, only watch.
    only_watches: bool = False
    #: Which store it is; empty where the daemon does not say.
    store: str = ""
    log: deque[LogLine] = field(default_factory=lambda: deque(maxlen=LOG_LENGTH))
    trace: deque[tuple[float, float]] = field(default_factory=lambda: deque(maxlen=TRACE_LENGTH))
    #: This side's clock, s; an input, so that ages can be tested.
    now: Callable[[], float] = time.monotonic
    live_at: float = -math.inf
    devices_at: float = -math.inf
    #: The first live word heard: this side's clock and the bench's, s.
    heard_first: tuple[float, float] | None = None

    def take(self, snapshot: Snapshot) -> None:
        """Begin again from a snapshot; the trace is kept, as it was heard by this screen."""
        self.linked, self.why = True, ""
        self.balance, self.lift, self.run = snapshot["balance"], snapshot["lift"], snapshot["run"]
        self.controller = snapshot["controller"]
        self.store = snapshot["store"]["uuid"] if "store" in snapshot else ""
        self.started_with = snapshot["bench_text"]
        self.log.clear()
        self.log.extend(snapshot["log"])
        self.devices_at = self.now()
        if snapshot["live"] is not None:
            self._hear(snapshot["live"])

    @property
    def situation(self) -> set[str]:
        """How things stand, in the words that ``keys`` uses."""
        found = situation(self.run)
        found |= {"watches"} if self.only_watches else set()
        return found | (set() if self.linked else {"no link"})

    def lose(self, why: str) -> None:
        """The daemon does not answer: everything shown is old from now on."""
        self.linked, self.why = False, why

    def apply(self, topic: str, data: Any) -> bool:
        """Fold one event in. False when it does not fit and a fresh snapshot is needed."""
        if topic == "live":
            self._hear(cast(Live, data))
        elif topic == "log":
            self.log.append(cast(LogLine, data))
        elif topic == "device":
            self.balance, self.lift = data["balance"], data["lift"]
            self.devices_at = self.now()
        elif topic == "run":
            self.run = cast("Run | None", data)
        elif topic == "point":
            return self._point(cast(Point, data))
        return True

    def _hear(self, live: Live) -> None:
        self.live, self.live_at = live, self.now()
        if self.heard_first is None or live["time_s"] < self.heard_first[1]:
            self.heard_first = self.live_at, live["time_s"]
        if live["reading_kg"] is not None:
            if self.trace and live["time_s"] < self.trace[-1][0]:
                self.trace.clear()  # another clock: a restarted daemon
            if not self.trace or live["time_s"] > self.trace[-1][0]:
                self.trace.append((live["time_s"], live["reading_kg"]))

    def _point(self, point: Point) -> bool:
        if self.run is None:
            return False
        points = self.run["points"]
        for k, known in enumerate(points):
            if known["id"] == point["id"]:
                points[k] = point
                return True
        points.append(point)
        return True

    @property
    def bench_text(self) -> str:
        """The bench file that holds now: the present run's, else the daemon's own."""
        return self.run["bench_text"] if self.run is not None else self.started_with

    @property
    def pace(self) -> float:
        """How fast the bench's clock goes by this side's: 1 at a bench, more in a rehearsal."""
        if self.live is None or self.heard_first is None:
            return 1.0
        here, there = self.live_at - self.heard_first[0], self.live["time_s"] - self.heard_first[1]
        pace = there / here if here > 1.0 else 1.0
        return pace if pace > 1.5 or 0.0 < pace < 0.7 else 1.0

    def silent_for(self) -> float:
        """Seconds since the last live word, on this side's clock."""
        return self.now() - self.live_at

    def devices_later(self) -> float:
        """Seconds since the devices' ages were reported."""
        return max(0.0, self.now() - self.devices_at)


def step_of(run: Run, point: Point) -> Step | None:
    """The plan's step a point belongs to."""
    for step in run["steps"]:
        if step["step"] == point["step"]:
            return step
    return None


def goes_on(run: Run) -> bool:
    """Whether readings are still to come without anyone's word."""
    return run["state"] in ("planned", "running")


def situation(run: Run | None) -> set[str]:
    """How things stand with a run, in the words that ``keys`` uses."""
    if run is None:
        return {"no run"}
    found = {"planned": "going", "running": "going", "finished": "over", "stopped": "over"}
    asks = run["action"]["needs_confirm"] or bool(run["action"]["choices"])
    words = {found.get(run["state"], run["state"])}
    words |= {"asks"} if asks and words == {"going"} else set()
    words |= {"current"} if "asks" in words and run["action"]["code"] == "set-current" else set()
    return words | ({"readings"} if run["points"] else set())


def weighs_coil(run: Run | None) -> bool:
    """Whether a coil is weighed in the sample's place."""
    return run is not None and run.get("coil", False)


def asides(run: Run) -> int:
    """How many readings are set aside."""
    return sum(point["set_aside"] is not None for point in run["points"])


def next_step(run: Run) -> Step | None:
    """The step under way, None when all are done."""
    done = run["steps_done"]
    return run["steps"][done] if 0 <= done < len(run["steps"]) else None


@lru_cache(maxsize=16)
def bench_facts(bench_text: str) -> tuple[float, int]:
    """Of a bench file: +1 where attraction reads heavier, -1 where lighter; and the decimals of a gram.

    Only what the live screen needs; the whole file is read and judged by ``analysis.bench_file``.
    """
    try:
        balance = tomllib.loads(bench_text).get("balance", {})
    except tomllib.TOMLDecodeError:
        balance = {}
    sign = 1.0 if balance.get("attraction") == "heavier" else -1.0
    number, _, unit = str(balance.get("resolution", "1 mg")).partition(" ")
    try:
        in_grams = float(number) * {"mg": 1e-3, "g": 1.0, "ug": 1e-6, "µg": 1e-6, "kg": 1e3}[unit.strip()]
        decimals = min(6, max(0, round(-math.log10(in_grams))))
    except (ValueError, KeyError):
        decimals = 3
    return sign, decimals


@dataclass(frozen=True)
class PullPoint:
    """One reading as the plot shows it: field in A/m, pull in kg (positive: attraction)."""

    point: int
    step: int
    field: float
    pull: float
    u: float
    orientation: int
    leg: int
    set_aside: bool


def pulls(run: Run) -> list[PullPoint]:
    """Readings less the last zero before each, against the planned field: the plain, live view."""
    sign, _ = bench_facts(run["bench_text"])
    steps = {step["step"]: step for step in run["steps"]}
    zero = 0.0
    found = []
    known = {zero.id: zero.value for zero in zeros(run["points"])}
    for point in run["points"]:
        zero = known.get(point["id"], zero)
        if point["kind"] != "point":
            continue
        step = steps.get(point["step"])
        if step is None or step["H_applied_A_per_m"] is None:
            continue
        found.append(
            PullPoint(
                point["id"],
                step["step"],
                step["H_applied_A_per_m"],
                sign * (point["value_kg"] - zero),
                point["u_kg"],
                point["orientation"],
                point["leg"],
                point["set_aside"] is not None,
            )
        )
    return found


@dataclass(frozen=True)
class ExpectedPull:
    """A reading to come: its step, the pull expected in kg, and whether the loop itself predicts it."""

    step: Step
    pull: float
    by_the_loop: bool


def foreseen(run: Run) -> Iterator[ExpectedPull]:
    """Readings to come, in order.

    Turned over, field and magnetisation both change sign: a gap pulls as it did two passages before,
    once the sample has been through its largest field. Where that was not weighed yet, the plan's guess.
    """
    sign, _ = bench_facts(run["bench_text"])
    steps = {step["step"]: step for step in run["steps"]}
    weighed = {
        (p.leg, round((steps[p.step]["gap_m"] or 0.0) * 1e6)): p.pull for p in pulls(run) if not p.set_aside
    }
    loop = "programme" not in run
    for step in run["steps"][run["steps_done"] :]:
        if step["kind"] != "point" or step["gap_m"] is None or step["H_applied_A_per_m"] is None:
            continue
        mirrored = (
            weighed.get((step["leg"] - 2, round(step["gap_m"] * 1e6))) if step["leg"] >= 3 and loop else None
        )
        planned = step["predicted_reading_kg"]
        if mirrored is not None:
            yield ExpectedPull(step, mirrored, True)
        elif planned is not None:
            yield ExpectedPull(step, sign * planned, False)


def last_zero(run: Run) -> float:
    """The zero that holds now, kg."""
    found = zeros(run["points"])
    return found[-1].value if found else 0.0


def last_spacers(run: Run) -> int | None:
    """How many spacers were set at the newest reading; None where there is none."""
    return run["points"][-1]["spacers"] if run["points"] else None


def under_way(snapshot: LiveSnapshot) -> tuple[Step, float] | None:
    """The step whose reading is being taken, and its pull now in kg; None while none is.

    The settled level where there is one yet, else the bare reading.
    """
    run, live = snapshot.run, snapshot.live
    if run is None or live is None or not snapshot.linked or snapshot.silent_for() > STALE_AFTER_S:
        return None
    step = next_step(run)
    if run["state"] != "running" or run["action"]["code"] != "wait-reading" or step is None:
        return None
    value = live["reading_kg"] if live["value_kg"] is None else live["value_kg"]
    if step["kind"] != "point" or step["H_applied_A_per_m"] is None or value is None:
        return None
    sign, _ = bench_facts(run["bench_text"])
    return step, sign * (value - last_zero(run))
