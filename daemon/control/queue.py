"""Runs that wait: planned, in order, each for its turn and, where one is given, its time."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import asdict, dataclass
from datetime import UTC, datetime, timedelta
from typing import TYPE_CHECKING, Any

from ..clock import utc_now
from ..procedure.events import Event, Record, Trouble, TroubleOver
from ..procedure.run import ENDED, LogEvent, RunRecord, Series, apply
from .settings import TARGET_DIGITS

if TYPE_CHECKING:
    from ...analysis.records.bench import Bench
    from ..procedure.plan import RunPlan


@dataclass(frozen=True)
class RunRequest:
    """What a run is to be. ``target`` is a standard uncertainty in kg, ``later`` the moment (UTC) before
    which it does not start, ``spacers_on_pan`` whether those that are not in use lie on the pan;
    ``unattended``: held, it goes on by itself where that is safe; ``series``: the list of runs it is of."""

    plan: RunPlan
    bench_text: str
    version: str
    target: float | None = None
    name: str | None = None
    later: str | None = None
    hands_free: bool = False
    spacers_on_pan: bool = True
    unattended: bool = False
    series: Series | None = None


class RunQueue:
    """The runs that have not begun. ``first`` is the number of the next new one, ``rate`` the bench's time by
    the wall's."""

    def __init__(self, first: int, rate: float = 1.0) -> None:
        self.waiting: list[RunRecord] = []
        self._next, self._rate = first, rate
        self._series: dict[int, dict[int, RunRecord]] = {}  # those begun, by the series' number and their own
        self._trouble: dict[str, str] = {}  # what forbids a run to begin, by its code
        self._asked_for = 0  # the run a person asked for last
        self._benches: dict[int, Bench] = {}

    def add(self, new: RunRequest) -> tuple[int, Record]:
        """A new run at the end of the line: its number, and what must be written down of it."""
        plan = new.plan
        limits, steps = dict(plan.limits), list(plan.steps)
        if plan.bench.gap.ladder == "spacers":
            if new.hands_free:  # turned in the hand the sample shows nothing; put on, it does
                steps = [step for step in steps if step["kind"] != "turn"]
            if not new.spacers_on_pan:
                limits.pop("spacer_mass_kg", None)
        number = self._next
        self._next += 1
        data: dict[str, Any] = {
            "sample": "the coil" if plan.coil else new.name or plan.bench.sample.name,
            "ladder": plan.bench.gap.ladder,
            "bench_text": new.bench_text,
            "target_u_kg": new.target or TARGET_DIGITS * plan.bench.balance.resolution,
            "seconds": plan.seconds,
            "steps": steps,
            "limits": limits,
            "version": new.version,
            "not_before_utc": new.later,
            "hands_free": new.hands_free and not plan.coil,
            "spacers_on_pan": new.spacers_on_pan,
            "turner": plan.turner,
            "unattended": new.unattended,
            "attendance": [list(needed) for needed in plan.attendance],
            "series": None if new.series is None else asdict(new.series),
        } | {key: True for key in ("single", "coil", "source") if getattr(plan, key)}
        data |= {"few": plan.few} if plan.few else {}
        text = f"Planned: {data['sample']}, {'by single' if plan.single else len(steps)} steps"
        if plan.programme is not None:
            data["programme"] = plan.programme.to_json()
            text = f"{text} of {plan.programme.name}"
        self.waiting.append(
            apply(RunRecord(number), LogEvent(0, number, 0.0, utc_now(), "planned", text, data))
        )
        self._benches[number] = plan.bench
        self._asked_for = number if new.later is None else self._asked_for
        return number, Record("planned", text, data)

    def due(self, *, only_asked_for: bool) -> RunRecord | None:
        """The first whose time has come.

        ``only_asked_for``: the lift was stopped. A run in the line does not move it, a fresh word does.
        """
        due = [r for r in self.waiting if r.not_before_utc is None or r.not_before_utc <= utc_now()]
        due = [r for r in due if not self._too_late(r)]
        if self._trouble or not due or (only_asked_for and not any(run.id == self._asked_for for run in due)):
            return None
        return due[0]

    @property
    def upcoming(self) -> int:
        """The number that the next new run will have."""
        return self._next

    def take_up(
        self, planned: Iterable[RunRecord], begun: Iterable[int], record: Callable[[int], RunRecord]
    ) -> None:
        """The line as the store has it; ``record`` reads a run that has ``begun``, by its number."""
        self.waiting = [run for run in planned if run.plan]  # without one it cannot start
        first = min((run.series.number for run in self.waiting if run.series is not None), default=None)
        for number in begun:
            if first is not None and number >= first:
                self.follow(record(number))

    def hear(self, event: Event) -> None:
        """A full disk or a store that cannot be written lets no run begin until it is over."""
        if isinstance(event, Trouble) and event.code in ("disk", "store"):
            self._trouble[event.code] = event.why
        elif isinstance(event, TroubleOver):
            self._trouble.pop(event.code, None)

    def change(self, event: LogEvent) -> None:
        """A person's change to a run that waits, such as another name."""
        self.waiting = [apply(run, event) if run.id == event.run else run for run in self.waiting]

    def follow(self, run: RunRecord) -> None:
        """A run of a series as it is now: its holds and its drift count for the whole series."""
        if run.series is not None:
            self._series.setdefault(run.series.number, {})[run.id] = run

    def series_ended(self, run: RunRecord | None) -> str:
        """Why the present ``run`` is to be stopped, by the end of its series; empty where it is not."""
        if run is None or run.series is None:
            return ""
        self.follow(run)
        return self._ended(run.series) if run.state not in ENDED else ""

    def not_begun(self) -> list[tuple[int, Record]]:
        """Those that their series' end leaves out, out of the line, with what is written down of each."""
        dropped: list[tuple[int, Record]] = []
        for waiting in list(self.waiting):
            if why := self._too_late(waiting):
                self.waiting.remove(waiting)
                dropped.append((waiting.id, Record("stopped", f"Not begun: {why}.", {"why": why})))
        return dropped

    def _ended(self, series: Series) -> str:
        """Why no more of its runs are begun, and the one under way is stopped; empty where they go on."""
        runs = self._series.get(series.number, {}).values()
        held, wandered = sum(run.holds for run in runs), series.most_drift_kg
        if series.deadline_utc is not None and utc_now() >= series.deadline_utc:
            return "the deadline has come"
        if series.most_held is not None and held >= series.most_held:
            return f"its runs were held {held} times, at most {series.most_held} were to be"
        for run in runs:
            if wandered is not None and run.state == "finished" and run.zero_moved > wandered:
                moved, most = run.zero_moved * 1e6, wandered * 1e6
                return f"the zero moved by {moved:.3g} mg in run {run.id}, at most {most:.3g} mg were to be"
        return ""

    def _too_late(self, run: RunRecord) -> str:
        if (series := run.series) is None:
            return ""
        why = self._ended(series)
        if not why and series.deadline_utc is not None:
            end = datetime.now(UTC) + timedelta(seconds=run.seconds_planned / self._rate)
            late = end > datetime.fromisoformat(series.deadline_utc)
            why = "it would not be done before the deadline" if late else ""
        return why

    def words_at_start(self, run: RunRecord) -> str:
        """That a run starts, and when somebody is expected to be needed, by the clock on the wall."""
        now = datetime.now().astimezone()
        needed = [
            f"{now + timedelta(seconds=seconds / self._rate):%H:%M} ({what})"
            for seconds, what in run.attendance
            if seconds > 0
        ]
        words = f" Somebody is needed at about {', '.join(needed)}." if needed else ""
        return f"Started.{words or (' Nobody is needed.' if run.turner else '')}"

    def take(self, run: RunRecord) -> Bench:
        """Out of the line; its bench, read again where it was planned before this daemon started."""
        self.waiting.remove(run)
        bench = self._benches.pop(run.id, None)
        if bench is None:
            from ...analysis.files.bench_file import parse_bench

            bench = parse_bench(run.bench_text, f"bench of run {run.id}")
        return bench
