"""Runs that wait: planned, in order, each for its turn and, where one is given, its time."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from ..clock import utc_now
from ..procedure.events import Record
from ..procedure.run import LogEvent, RunRecord, apply
from .settings import TARGET_DIGITS

if TYPE_CHECKING:
    from ...analysis.records.bench import Bench
    from ..procedure.plan import RunPlan


@dataclass(frozen=True)
class RunRequest:
    """What a run is to be. ``target`` is a standard uncertainty in kg, ``later`` the moment (UTC) before
    which it does not start, ``spacers_on_pan`` whether those that are not in use lie on the pan;
    ``unattended``: held, it goes on by itself where that is safe."""

    plan: RunPlan
    bench_text: str
    version: str
    target: float | None = None
    name: str | None = None
    later: str | None = None
    hands_free: bool = False
    spacers_on_pan: bool = True
    unattended: bool = False


class RunQueue:
    """The runs that have not begun. ``first`` is the number of the next new one."""

    def __init__(self, first: int) -> None:
        self.waiting: list[RunRecord] = []
        self._next = first
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
            "sample": new.name or plan.bench.sample.name,
            "ladder": plan.bench.gap.ladder,
            "bench_text": new.bench_text,
            "target_u_kg": new.target or TARGET_DIGITS * plan.bench.balance.resolution,
            "seconds": plan.seconds,
            "steps": steps,
            "limits": limits,
            "version": new.version,
            "not_before_utc": new.later,
            "hands_free": new.hands_free,
            "spacers_on_pan": new.spacers_on_pan,
            "turner": plan.turner,
            "unattended": new.unattended,
        } | ({"single": True} if plan.single else {})
        text = f"Planned: {data['sample']}, {'by single' if plan.single else len(steps)} steps"
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
        if not due or (only_asked_for and not any(run.id == self._asked_for for run in due)):
            return None
        return due[0]

    def take(self, run: RunRecord) -> Bench:
        """Out of the line; its bench, read again where it was planned before this daemon started."""
        self.waiting.remove(run)
        bench = self._benches.pop(run.id, None)
        if bench is None:
            from ...analysis.files.bench_file import parse_bench

            bench = parse_bench(run.bench_text, f"bench of run {run.id}")
        return bench
