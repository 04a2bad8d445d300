"""From the ladder of gaps to the steps of a run: zeros, turns and points in the order they are taken."""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from itertools import pairwise
from typing import TYPE_CHECKING, Any, cast

from ..protocol import Step

if TYPE_CHECKING:
    from ...analysis.planning.gap_ladder import LadderPlan
    from ...analysis.planning.passages import ZeroBy
    from ...analysis.programmes.programme import Programme
    from ...analysis.records.bench import Bench

#: The leg of what belongs to no branch of a loop.
NO_BRANCH = 5


@dataclass(frozen=True)
class RunPlan:
    """All that is decided before a run starts. Masses in kg, ``seconds`` is the expected time.

    ``expected_u_M``: the standard uncertainty of M that the wanted uncertainty of a reading makes, at the
    strongest field and at the weakest, A/m. ``attendance``: when somebody is expected to be needed, s from
    the start, and what for.
    """

    bench: Bench
    steps: tuple[Step, ...]
    seconds: float
    largest_pull_kg: float
    expected_u_M: tuple[float, float]
    warnings: tuple[str, ...] = ()
    limits: dict[str, float] = field(default_factory=dict)
    attendance: tuple[tuple[float, str], ...] = ()
    few: int = 0  # readings where the sample turns over, where they are as few as the answer needs
    single: bool = False  # a script asks for its steps one by one
    programme: Programme | None = None  # another than the loop
    coil: bool = False  # a coil is weighed in the sample's place

    @property
    def source(self) -> bool:
        """Whether the lift switches the coil's current."""
        return self.coil and self.bench.gap.ladder == "lift" and self.bench.current_source is not None

    @property
    def turner(self) -> bool:
        """Whether the lift turns the sample over: a coil's leads are in its way."""
        return self.bench.gap.ladder == "lift" and self.bench.gap.turner is not None and not self.coil


def make_plan(
    bench_text: str,
    points: int | None,
    target_u: float | None = None,
    source: str = "bench",
    *,
    zeros: ZeroBy | None = None,
    until: str | None = None,
    programme: Programme | None = None,
) -> RunPlan:
    """Read the bench and plan its run. The heavy libraries are first loaded here.

    ``target_u``: wanted standard uncertainty of a reading, kg; None: by the balance's resolution.
    ``zeros``: by "hand" (a lift's: the sample is taken off), or by readings at the "far" end; None: those
    where there is a turner. ``until``: what is asked of the figures (``fewest_readings.wanted_figures``), in
    place of the gaps of a passage, ``points``. ``programme``: another than the loop.
    Raises InputError for a wrong bench and for words that ask for nothing, and NotPossible where the magnet
    would lift off the pan or the pull would leave the balance's range.
    """
    from ...analysis.errors import Fault, InputError
    from ...analysis.files.bench_file import parse_bench
    from ...analysis.forces.force import force_per_kg
    from ...analysis.planning.fewest_readings import fewest_readings, wanted_figures
    from ...analysis.planning.gap_ladder import plan
    from ...analysis.planning.passages import TURNS_OVER

    bench = parse_bench(bench_text, source)
    few = 0
    if until is not None:
        try:
            wanted = wanted_figures(until)
        except ValueError as error:
            raise InputError("until", [Fault("until", repr(until), str(error))]) from None
        ladder = fewest_readings(bench, wanted, zeros=zeros, target_u=target_u).ladder
        few = sum(rung.leg == TURNS_OVER for rung in ladder.steps)
    elif programme is not None:
        from ...analysis.programmes.path import plan_programme

        ladder = plan_programme(bench, programme, points or 2, target_u=target_u, zeros=zeros)
    else:
        ladder = plan(bench, points or 2, target_u=target_u, zeros=zeros)
    by_field = sorted(ladder.steps, key=lambda rung: abs(rung.H_applied))
    limits = _limits(bench, ladder.pan_load)
    if bench.gap.spacer_mass is not None:
        limits["spacer_mass_kg"] = bench.gap.spacer_mass
    return RunPlan(
        bench=bench,
        steps=_numbered(steps_of(ladder, bench)),
        few=few,
        seconds=float(ladder.seconds),
        largest_pull_kg=float(ladder.largest_pull) / force_per_kg(bench.site),
        expected_u_M=(float(by_field[-1].expected_u_M), float(by_field[0].expected_u_M)),
        warnings=tuple(str(w) for w in ladder.warnings),
        limits=limits,
        attendance=tuple((needed.seconds, needed.what) for needed in ladder.attendance),
        programme=programme,
    )


def steps_of(ladder: LadderPlan, bench: Bench) -> list[Step]:
    """The steps of a ladder's readings, with zeros and turns between them; not numbered yet."""
    rungs = [_point(rung) for rung in ladder.steps]
    if bench.gap.ladder == "spacers":
        return _with_spacers(rungs)
    if ladder.zeros == "hand":
        return _with_lift(rungs)
    return _turned(rungs) if bench.gap.turner is not None else rungs


def coil_plan(
    bench_text: str,
    heights: int,
    current: float | None = None,
    ends: int = 2,
    aside: float | None = None,
    source: str = "bench",
) -> RunPlan:
    """Read the bench and plan the weighing of its coil; ``aside`` (m): at one gap, moved so far to each side.
    Raises as ``make_plan``, and NotPossible as ``planning.coil_ladder.plan_coil``."""
    from ...analysis.files.bench_file import parse_bench
    from ...analysis.planning.coil_ladder import plan_coil, plan_scan

    bench = parse_bench(bench_text, source)
    if aside is None:
        plan = plan_coil(bench, heights, current=current, ends=ends)
    else:
        plan = plan_scan(bench, aside, current=current)
    steps: list[Step] = [
        {
            "step": 0,
            "kind": "point",
            "leg": NO_BRANCH,
            "gap_m": reading.gap,
            "height_m": reading.height,
            "spacers": reading.spacers,
            "orientation": reading.end,
            "H_applied_A_per_m": None,
            "predicted_reading_kg": reading.reading,
            "current_A": reading.current,
        }
        for reading in plan.readings
    ]
    for step, reading in zip(steps, plan.readings, strict=True):
        if reading.seat is not None:
            step["seat_m"] = list(reading.seat)
    return RunPlan(
        bench=bench,
        steps=_numbered(steps),
        seconds=plan.seconds,
        largest_pull_kg=plan.largest_pull,
        expected_u_M=(math.inf, math.inf),
        warnings=plan.warnings,
        limits=_limits(bench, plan.pan_load),
        coil=True,
    )


def _limits(bench: Bench, pan_load: float) -> dict[str, float]:
    return {
        "capacity_kg": bench.balance.capacity,
        "resolution_kg": bench.balance.resolution,
        "pan_load_kg": float(pan_load),
        "lighter": 1.0 if bench.balance.attraction == "lighter" else 0.0,
    }


def _numbered(steps: list[Step]) -> tuple[Step, ...]:
    return tuple({**step, "step": number} for number, step in enumerate(steps, start=1))


def _number(value: Any) -> float | None:
    return None if value is None else float(value)


def _point(rung: Any) -> Step:
    step: Step = {
        "step": 0,
        "kind": "point",
        "leg": int(rung.leg),
        "gap_m": _number(rung.gap),
        "height_m": _number(rung.height),
        "spacers": None if rung.spacers is None else int(rung.spacers),
        "orientation": int(rung.orientation),
        "H_applied_A_per_m": _number(rung.H_applied),
        "predicted_reading_kg": _number(rung.predicted_reading),
        "saturated_reading_kg": _number(rung.saturated_reading),
        "target_u_kg": float(rung.target_u),
    }
    return {**step, "wait_s": float(rung.wait)} if rung.wait else step


def bare_step(kind: str, like: Step) -> Step:
    """A step that sets no gap, beside the step ``like``."""
    empty = dict.fromkeys(("gap_m", "height_m", "H_applied_A_per_m", "predicted_reading_kg"))
    kept = {key: value for key, value in like.items() if key not in ("target_u_kg", "why")}
    return cast(Step, {**kept, **empty, "step": 0, "kind": kind})


def _with_lift(rungs: list[Step]) -> list[Step]:
    """A zero at the start, at each turn-over and at the end: there the sample is off at the far end."""
    steps: list[Step] = []
    orientation: int | None = None
    for rung in rungs:
        if rung["orientation"] != orientation:
            steps.append(bare_step("zero", rung))
            if orientation is not None:
                steps.append(bare_step("turn", rung))
            orientation = rung["orientation"]
        steps.append(rung)
    if rungs:
        steps.append(bare_step("zero", rungs[-1]))
    return steps


def _turned(rungs: list[Step]) -> list[Step]:
    """All with the sample on: the turner turns it over where the next reading wants it the other way up."""
    steps = rungs[:1]
    for before, rung in pairwise(rungs):
        if rung["orientation"] != before["orientation"]:
            steps.append(bare_step("turn", rung))
        steps.append(rung)
    return steps


def _with_spacers(rungs: list[Step]) -> list[Step]:
    """Each point has its own zero, read with its spacers set and the sample away."""
    steps: list[Step] = []
    orientation: int | None = None
    for rung in rungs:
        if orientation is not None and rung["orientation"] != orientation:
            steps.append(bare_step("turn", rung))
        orientation = rung["orientation"]
        steps.append(bare_step("zero", rung))
        steps.append(rung)
    return steps
