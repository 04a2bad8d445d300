"""What the screen computes itself, by the same functions as the report. Heavy imports inside.

What takes longer than a moment is asked for through ``compute_process``, the rest in threads.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path
from statistics import median
from typing import TYPE_CHECKING, Any

from ...analysis.errors import WeighloopError
from ...daemon.protocol import Point, Run
from .snapshot import ExpectedPull, bench_facts, foreseen, goes_on, weighs_coil

if TYPE_CHECKING:
    from ...analysis.programmes.results import ProgrammeResult
    from ...analysis.records.bench import Bench
    from ...analysis.records.points import Points
    from ...analysis.results import LoopResult
    from ..bench_costs import Cost
    from .coil_look import CoilLook

    Result = LoopResult | ProgrammeResult

#: Most Monte Carlo trials behind the figures: while a run goes on, and where it stands still (as the report).
LIVE_TRIALS, ALL_TRIALS = 1000, 10_000
#: A draw of a programme, which leads a sample through its whole path, takes as long as this many trials.
DRAW_COST = 5
#: Fewer readings than this make no loop worth a look.
LEAST = 3
#: A trace shorter than this many readings says nothing about drift or breathing.
LEAST_TRACE = 100
#: How well a reading is wanted, in digits of the balance: what a run takes where nothing else is said.
WANTED_DIGITS = 2.0
#: Readings at the end of a trace on which it is tried how long one takes.
LONGEST_TRIED = 300
#: This many digits of the balance off the present level, a reading was taken under another load.
OTHER_LOAD_DIGITS = 200.0


#: A trace cannot show by itself whether the magnet works on the balance's own (common practice, no source).
RISER = "if it is steady without the magnet: a taller riser under it"


class NotYet(WeighloopError):
    """There is nothing to compute from yet; the message says what is missing."""


#: Hears of each stage of a computation as it begins.
Progress = Callable[[str], None]


def analyse_run(run: Run, trials: int | None = None, progress: Progress = lambda stage: None) -> Result:
    """What a run gives, finished or not: a loop's figures or a programme's. Raises NotYet in words."""
    global _last
    _weighs_a_sample(run)
    if trials is None:
        trials = LIVE_TRIALS if goes_on(run) else ALL_TRIALS
    if sum(point["kind"] == "point" for point in run["points"]) < LEAST:
        raise NotYet("Figures appear once a few readings are taken.")
    if _last is not None and _last[:2] == (_content(run), trials):
        return _last[2]
    from ...analysis.errors import InputError, NotPossible

    try:
        from ...analysis.files.bench_file import parse_bench
        from ...analysis.results import analyse
        from ...daemon.store.readings_table import readings_of

        bench = parse_bench(run["bench_text"], f"the bench file of run {run['id']}")
        readings = readings_of(run)
        if readings.gives == "loop":
            result = analyse(readings, bench, trials=trials, progress=progress)
        else:
            from ...analysis.programmes.results import analyse_programme

            result = analyse_programme(readings, bench, draws=trials // DRAW_COST)
    except (InputError, NotPossible) as error:
        raise NotYet(str(error)) from error
    except Exception as error:  # a fault of ours must not take the live screen down during a run
        raise NotYet(f"The figures could not be computed ({type(error).__name__}: {error}).") from error
    _last = _content(run), trials, result
    return result


def _weighs_a_sample(run: Run) -> None:
    if weighs_coil(run):
        raise NotYet("This run weighs the coil: 1 shows what it finds.")


def _content(run: Run) -> tuple[object, ...]:
    """What the figures of a run depend on."""
    return run["id"], run["bench_text"], [(p["id"], p["set_aside"]) for p in run["points"]]


#: The last analysis made: content, trials, result. Its report or package is asked for next.
_last: tuple[tuple[object, ...], int, Result] | None = None


def write_run_report(run: Run, path: str, progress: Progress = lambda stage: None) -> str:
    """Write the report of a run to ``path``, .html or .pdf; gives the path. Raises NotYet in words."""
    result = analyse_run(run, progress=progress)
    try:
        from ...analysis.report import write_programme, write_report
        from ...analysis.report.output import page_file
        from ...analysis.results import LoopResult

        again = f"Recompute with: weighloop figures {run['id']} --seed {result.seed}"
        if isinstance(result, LoopResult):
            write_report(result, page_file(path), recompute=f"{again} --method {result.method}.")
        else:
            write_programme(result, page_file(path), f"{again}.")
    except (WeighloopError, OSError) as error:
        raise NotYet(f"The report was not written: {error}") from error
    return path


def write_run_package(run: Run, folder: str, progress: Progress = lambda stage: None) -> str:
    """Write the data package of a run into a new ``folder``; gives its path. Raises NotYet in words."""
    result = analyse_run(run, progress=progress)
    try:
        from importlib.metadata import version

        from ...analysis.data_package import write_package
        from ...analysis.results import LoopResult

        details = {"version": version("weighloop"), "seed": result.seed, "input": str(run["id"])}
        if isinstance(result, LoopResult):
            details |= {"method": result.method, "trials": result.trials}
        return str(write_package(result, Path(folder), details=details).parent)
    except (WeighloopError, OSError) as error:
        raise NotYet(f"The data package was not written: {error}") from error


def coil_look(run: Run) -> CoilLook:
    """What a run that weighs the coil shows so far. Raises NotYet in words."""
    from . import coil_look as coil

    return _said(lambda: coil.coil_look(run), "The coil's pulls could not be computed")


def write_coil_report(run: Run, path: str) -> tuple[str, ...]:
    """The page of a calibration, and the bench file if it makes one, as files. Raises NotYet in words."""
    from . import coil_look as coil

    return _said(lambda: coil.write_coil_report(run, path), "The page was not written")


def _said(ask: Callable[[], Any], failed: str) -> Any:
    """The answer; what forbids it, and any fault of ours, as NotYet."""
    try:
        return ask()
    except WeighloopError as error:
        raise NotYet(str(error)) from error
    except Exception as error:  # as above: the live screen stays
        raise NotYet(f"{failed} ({type(error).__name__}: {error}).") from error


@dataclass(frozen=True)
class LoopPoint:
    """One reading as magnetisation: fields and M in A/m; ``row`` counts the readings from 1."""

    H: float
    M: float
    u: float
    orientation: int
    leg: int
    used: bool
    row: int = 0


@dataclass(frozen=True)
class Magnetised:
    """The loop that fills in: readings taken (``row`` is their number in the store), as they were screened,
    and readings to come; and what a pull means at each step of the plan, A/m per kg, for newer ones."""

    taken: list[LoopPoint]
    coming: list[LoopPoint]
    per_pull: dict[int, float] = field(default_factory=dict)


def magnetisation(run: Run) -> Magnetised:
    """M against applied field by the volume means: quick, for the loop that fills in. Raises NotYet."""
    _weighs_a_sample(run)
    from ...analysis.errors import InputError, NotPossible

    try:
        from ...analysis.files.bench_file import parse_bench

        bench = parse_bench(run["bench_text"], f"the bench file of run {run['id']}")
        numbers = sorted(point["id"] for point in run["points"] if point["kind"] == "point")
        taken = [replace(p, row=numbers[p.row - 1]) for p in _by_means(run, bench)]
        whole = [one for one in foreseen({**run, "points": [], "steps_done": 0}) if one.pull]
        at = {
            whole[p.row - 1].step["step"]: (p, whole[p.row - 1].pull) for p in _as_expected(run, whole, bench)
        }
        per_pull = {step: p.M / pull for step, (p, pull) in at.items()}
        coming = [
            replace(at[one.step["step"]][0], M=one.pull * per_pull[one.step["step"]])
            for one in foreseen(run)
            if one.step["step"] in at
        ]
        return Magnetised(taken, coming, per_pull)
    except (InputError, NotPossible) as error:
        raise NotYet(str(error)) from error
    except Exception as error:  # as above: the live screen stays
        raise NotYet(f"M could not be computed ({type(error).__name__}: {error}).") from error


def _by_means(run: Run, bench: Bench) -> list[LoopPoint]:
    if not any(point["kind"] == "point" for point in run["points"]):
        return []
    from ...analysis.inversion.invert import invert
    from ...analysis.outliers.screen import find_outliers
    from ...daemon.store.readings_table import readings_of

    if "programme" in run:
        from ...analysis.programmes.history_fit import plain_magnetisation

        return _rows(*plain_magnetisation(readings_of(run), bench))
    points = find_outliers(readings_of(run), bench).points
    estimate = invert(points, bench, "mean")
    # By volume means M is proportional to the force, row by row. Only each reading's own part: what all
    # share moves the loop as a whole and is the figures' business.
    higher = invert(replace(points, force=points.force + points.u_force), bench, "mean")
    return _rows(points, estimate.H_applied, estimate.M, abs(higher.M - estimate.M))


def _as_expected(run: Run, ahead: Sequence[ExpectedPull], bench: Bench) -> list[LoopPoint]:
    """The loop as if it were weighed as expected, and nothing else."""
    sign, _ = bench_facts(run["bench_text"])
    points: list[Point] = []
    for k, one in enumerate(ahead, start=1):
        step = one.step
        points.append(
            Point(
                id=k,
                step=step["step"],
                kind="point",
                leg=step["leg"],
                gap_m=step["gap_m"],
                height_m=step["height_m"],
                spacers=step["spacers"],
                orientation=step["orientation"],
                value_kg=sign * one.pull,
                u_kg=1e-6,
                drift_kg_per_s=0.0,
                time_s=float(k),
                utc=run["started_utc"],
                settled_in_s=0.0,
                temperature_K=None,
                set_aside=None,
                note="",
            )
        )
    return _by_means({**run, "points": points}, bench)


def loop_points(result: LoopResult) -> list[LoopPoint]:
    """M against internal field, row by row, of a whole result."""
    return _rows(result.points, result.estimate.H_internal, result.estimate.M, result.u_M)


def differing(results: Sequence[LoopResult]) -> set[tuple[int, str]]:
    """Which figures of which results (by number) differ from the first's, beyond their joint uncertainty."""
    from ...analysis.comparison import compare

    found = compare(results)
    number = {name: k for k, name in enumerate(found.names)}
    return {
        (number[d.second], d.figure) for d in found.differences if d.differs and d.first == found.names[0]
    }


def _rows(points: Points, H: Any, M: Any, u_M: Any) -> list[LoopPoint]:
    found = []
    for k in range(len(points)):
        if math.isfinite(H[k]) and math.isfinite(M[k]):
            u = float(u_M[k]) if math.isfinite(u_M[k]) else 0.0
            orientation, leg, used = int(points.orientation[k]), int(points.leg[k]), bool(points.used[k])
            found.append(LoopPoint(float(H[k]), float(M[k]), u, orientation, leg, used, int(points.row[k])))
    return found


def bench_faults(bench_text: str) -> list[str]:
    """Every fault of a bench file, in words; empty when it is sound."""
    from ...analysis.errors import InputError
    from ...analysis.files.bench_file import parse_bench

    try:
        parse_bench(bench_text, "bench file")
    except InputError as error:
        return [str(fault) for fault in error.faults]
    return []


def bench_sketch(bench_text: str) -> str:
    """The bench in section, in characters; empty while the file has faults."""
    from ...analysis.errors import InputError
    from ...analysis.files.bench_file import parse_bench
    from ..bench_costs import sketch

    try:
        return sketch(parse_bench(bench_text, "bench file"))
    except InputError:
        return ""


def bench_costs(bench_text: str, plan: Mapping[str, Any] | None = None) -> list[Cost]:
    """What the uncertainties of a bench cost the figures, of the ``plan``. Raises NotYet in words."""
    from ...analysis.files.bench_file import parse_bench
    from ..bench_costs import costs_of

    try:
        return costs_of(parse_bench(bench_text, "bench file"), plan)
    except WeighloopError as error:
        raise NotYet(str(error)) from error


@dataclass(frozen=True)
class SteadyLook:
    """What the steadiness view shows: curves in mg, and words."""

    verdict: str
    advice: tuple[str, ...]
    spectrum: tuple[list[float], list[float]]
    allan: tuple[list[float], list[float]]
    breathing_Hz: float | None
    best_time_s: float | None
    past: str = ""  # what the trace says of the bench's slow noise, once it is long enough
    target_kg: float = 0.0  # how well a reading is wanted, and how long one took each time, s
    accepted_after: tuple[float, ...] = ()
    seconds: float = 0.0  # how long the trace is


def present_load(trace: list[tuple[float, float]], resolution_kg: float) -> list[tuple[float, float]]:
    """The end of a trace, from where the load was last changed: a step is no unsteadiness."""
    level = median([reading for _, reading in trace[-21:]]) if trace else 0.0
    for k in range(len(trace) - 1, -1, -1):
        if abs(trace[k][1] - level) > OTHER_LOAD_DIGITS * resolution_kg:
            return trace[k + 1 :]
    return trace


def steady_look(trace: list[tuple[float, float]], resolution_kg: float) -> SteadyLook:
    """Judge a trace of (time in s, reading in kg). Raises NotYet while it is too short."""
    import numpy as np

    from ...analysis.errors import NotPossible

    trace = present_load(trace, resolution_kg)
    if len(trace) < LEAST_TRACE:
        raise NotYet("Listening: leave the balance alone for a minute.")
    try:
        from ...analysis.settling.bench_past import learn_past
        from ...analysis.settling.steadiness import steadiness

        times, readings = np.array(trace).T
        found = steadiness(times, readings, resolution_kg)
        past = learn_past([(times, readings, False)], resolution_kg)
    except NotPossible as error:
        raise NotYet(str(error)) from error
    except Exception as error:  # as above
        raise NotYet(f"The trace could not be judged ({type(error).__name__}: {error}).") from error
    density = [1e6 * value**0.5 for value in found.density]
    advice = tuple(found.advice)
    if found.noise > 2 * resolution_kg or abs(found.drift) > 3 * found.u_drift:
        advice = (*advice, RISER)
    return SteadyLook(
        found.verdict,
        advice,
        (list(found.frequency), density),
        (list(found.tau), [1e6 * value for value in found.allan]),
        found.breathing,
        found.best_averaging,
        past.words() if past is not None else "",
        WANTED_DIGITS * resolution_kg,
        _accepted_after(trace, resolution_kg),
        found.seconds,
    )


def _accepted_after(trace: Sequence[tuple[float, float]], resolution_kg: float) -> tuple[float, ...]:
    """How long a reading took to be accepted, from nothing each time, along a trace at rest, s."""
    from ...analysis.settling import SettlingFilter

    watch = SettlingFilter(resolution_kg, WANTED_DIGITS * resolution_kg)
    took, since = [], None
    for time_s, reading in trace[-LONGEST_TRIED:]:
        since = time_s if since is None else since
        if watch.feed(time_s, reading).accepted:
            took.append(time_s - since)
            since = None
            watch.begin(time_s)
    return tuple(took)
