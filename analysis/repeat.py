"""The same loop again and again: its figures against time and temperature, and what is left apart from trend.

What all loops of one bench have in common (remanence and contact gap of the reference magnet, sizes, own
field) is wrong alike in all of them. The Monte Carlo trials carry it: a trial of one loop goes with the same
trial of the others, so that it falls out of a slope, and of a coefficient relative to the figure itself, but
for what really acts there, such as the reference magnet's own temperature coefficient. What a single loop is
off by for itself is seen in how the loops scatter.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Mapping, Sequence
from dataclasses import asdict, dataclass
from typing import Any

import numpy as np

from .errors import Fault, Finding, InputError, NotPossible
from .figures.model_error import common_errors
from .figures.names import FIGURE_NAMES
from .figures.uncertainty import BudgetLine, shared_normals
from .magnetostatics.reference_magnet import REMANENCE_TEMPERATURE
from .records.arrays import Floats
from .records.bench import Bench
from .records.readings import Readings
from .repeated_loop import FOLLOWED, RepeatedLoop, repeated_loop
from .results import analyse

#: The figures with a temperature coefficient, and its symbol (IEC 60404-8-1 gives coefficients of the
#: remanence and of HcJ, as the scope of IEC TR 61807:1999 says).
COEFFICIENTS = {"remanence_A_per_m": "alpha(Br)", "coercivity_HcJ_A_per_m": "alpha(HcJ)"}
#: Where a coefficient is relative to the figure, K: 20 degrees Celsius (common practice, no source).
REFERENCE = REMANENCE_TEMPERATURE
ZERO_CELSIUS = 273.15
#: Loops below this number tell no repeatability; degrees of freedom a coefficient needs, for a scatter known
#: from fewer says nothing.
LEAST_LOOPS, LEAST_FREEDOM = 3, 3
#: A coefficient known to no better, 1/K, is none: those of magnets are 0.0002 to 0.006 (common practice, no
#: source). The loops' temperatures lie apart by this many times what one changes by within a loop.
LEAST_KNOWN, APART = 1e-3, 2.0
#: From this correlation on temperature and time are one.
ALIKE = 0.9
SCATTER = "scatter of the loops"


@dataclass(frozen=True)
class Repeatability:
    """A figure over the loops that have measured it, SI. ``scatter``: the standard deviation of one loop
    apart from what goes with temperature and time, with ``freedom`` degrees of freedom; ``expected``: what
    the readings of each loop explain of it. ``per_hour`` with ``u_per_hour``: how it goes with time, the
    temperature taken out where it is known to matter; None where that cannot be said."""

    figure: str
    loops: int
    mean: float
    scatter: float
    freedom: int
    expected: float
    per_hour: float | None
    u_per_hour: float | None


@dataclass(frozen=True)
class Coefficient:
    """A temperature coefficient: the figure's slope by its value at 20 degrees Celsius (``at_reference``,
    SI, with the standard uncertainty ``u_at_reference``), 1/K.

    Of its standard uncertainty ``u``, ``u_scatter`` is what the loops scatter by and ``u_shared`` what they
    have in common; the interval has Student's factor for ``freedom`` effective degrees of freedom (JCGM
    100:2008, G.4). Nothing but ``why`` where it is not determined.
    """

    figure: str
    symbol: str
    status: str
    why: str | None = None
    value: float | None = None
    u: float | None = None
    low95: float | None = None
    high95: float | None = None
    u_scatter: float | None = None
    u_shared: float | None = None
    freedom: float | None = None
    at_reference: float | None = None
    u_at_reference: float | None = None
    budget: tuple[BudgetLine, ...] = ()

    def line(self, degrees: Floats) -> Floats:
        """The figure (k,), SI, at temperatures (k,), degrees Celsius; of a coefficient that is determined."""
        assert self.value is not None
        assert self.at_reference is not None
        return self.at_reference * (1.0 + self.value * (degrees - (REFERENCE - ZERO_CELSIUS)))


@dataclass(frozen=True, eq=False)
class RepeatResult:
    """Several loops of one sample, the earliest first."""

    loops: tuple[RepeatedLoop, ...]
    repeatability: tuple[Repeatability, ...]
    coefficients: tuple[Coefficient, ...]
    warnings: tuple[Finding, ...]
    trials: int
    seed: int

    @property
    def sample(self) -> str:
        """The sample's name."""
        return self.loops[0].sample

    def column(self, figure: str) -> Floats:
        """The figure loop by loop, NaN where it was not measured."""
        return np.array([_measured(loop, figure) for loop in self.loops])

    @property
    def temperature(self) -> Floats:
        """Loop by loop, K."""
        return np.array([loop.temperature for loop in self.loops])

    @property
    def degrees(self) -> Floats:
        """The same in degrees Celsius."""
        return self.temperature - ZERO_CELSIUS

    @property
    def hours(self) -> Floats:
        """When each loop was read, h after the first."""
        time = np.array([loop.time for loop in self.loops])
        return (time - time[0]) / 3600.0

    def to_json(self) -> dict[str, Any]:
        """Plain types only, SI, null where there is no number."""
        hours = self.hours
        loops = [
            {
                "loop": loop.name,
                "time_s": _number(3600.0 * hours[i]),
                "temperature_K": _number(loop.temperature),
                "temperature_range_K": _number(loop.within),
                "figures": {
                    key: {"value": f.value, "u": f.u, "status": f.status} for key, f in loop.figures.items()
                },
                "warnings": list(loop.warnings),
            }
            for i, loop in enumerate(self.loops)
        ]
        return {
            "schema": 1,
            "sample": self.sample,
            "gives": "repeat",
            "monte_carlo": {"trials": self.trials, "seed": self.seed},
            "loops": loops,
            "repeatability": [asdict(r) for r in self.repeatability],
            "temperature_coefficients": [asdict(c) for c in self.coefficients],
            "warnings": [{"code": w.code, "text": w.text, "rows": []} for w in self.warnings],
        }


def analyse_loops(
    inputs: Sequence[tuple[Readings, Bench]],
    *,
    method: str = "finite",
    trials: int = 10_000,
    seed: int = 1,
    progress: Callable[[int], None] = lambda done: None,
) -> RepeatResult:
    """Analyse loops of one sample, all with the choices of the middle one: the hypothesis on the own field,
    the smoothing, the bench as that one's readings leave it. Made for each alone, they would differ by
    chance, and the figures with them.

    ``progress`` hears how many are done. Raises as ``repeat`` and ``results.analyse``.
    """
    _one_sample([bench.sample.name for _, bench in inputs])
    middle = analyse(*inputs[len(inputs) // 2], method=method, trials=trials, seed=seed)
    settled = middle.estimate.settled and middle.estimate.settled.for_other_runs()
    loops = []
    for done, (readings, bench) in enumerate(inputs, start=1):
        result = analyse(readings, bench, method=method, trials=trials, seed=seed, settled=settled)
        loops.append(repeated_loop(result))
        progress(done)
    alone = {key: figure.u for key, figure in middle.figures.items() if figure.u is not None}
    return repeat(loops, trials=trials, seed=seed, alone=alone)


def _one_sample(samples: Sequence[str]) -> None:
    """Raises NotPossible for too few loops, InputError for those of different samples."""
    names = sorted(set(samples))
    if len(names) > 1:
        fault = Fault("samples", ", ".join(names), "loops of one sample; `weighloop compare` takes several")
        raise InputError("repeat", [fault])
    if len(samples) < LEAST_LOOPS:
        raise NotPossible(f"loops of one sample: {len(samples)}; a repeat needs {LEAST_LOOPS} or more")


def repeat(
    loops: Sequence[RepeatedLoop], *, trials: int, seed: int, alone: Mapping[str, float] | None = None
) -> RepeatResult:
    """Loops of one sample, analysed with one ``seed`` and up to ``trials`` trials each; ``alone``: each
    figure's standard uncertainty by a single loop.

    Raises NotPossible for fewer than ``LEAST_LOOPS``, InputError for loops of different samples.
    """
    _one_sample([loop.sample for loop in loops])
    loops = sorted(loops, key=lambda loop: loop.time)
    why_not = _no_temperatures(loops)
    findings: list[Finding] = []
    if why_not is None and abs(_correlation(loops)) > ALIKE:
        findings.append(
            Finding(
                "temperature-follows-time",
                "the temperature went one way as time did: whatever else changed through the run would look "
                "like its effect. Loops that warm and cool again tell them apart.",
            )
        )
    lines, coefficients = [], []
    for key in FOLLOWED:
        having = [loop for loop in loops if np.isfinite(_measured(loop, key)) and key in loop.samples]
        followed = None
        if len(having) >= LEAST_LOOPS:
            followed = _follow(key, having, why_not, seed, (alone or {}).get(key))
        if followed is not None:
            lines.append(followed[0])
        if (symbol := COEFFICIENTS.get(key)) is None:
            continue
        if followed is not None:
            coefficients.append(followed[1])
        else:
            why = _not_measured(key, loops, len(having))
            coefficients.append(Coefficient(key, symbol, "not determined", why))
    return RepeatResult(tuple(loops), tuple(lines), tuple(coefficients), tuple(findings), trials, seed)


def _measured(loop: RepeatedLoop, key: str) -> float:
    figure = loop.figures.get(key)
    return figure.value if figure is not None and figure.status == "measured" and figure.value else np.nan


def _not_measured(key: str, loops: Sequence[RepeatedLoop], having: int) -> str:
    """Why a figure is not followed: what the most loops say of it."""
    reasons = Counter(
        f"{loop.figures[key].status}: {loop.figures[key].why}"
        for loop in loops
        if key in loop.figures and loop.figures[key].status != "measured"
    )
    most = reasons.most_common(1)[0][0] if reasons else "not read off"
    return f"{FIGURE_NAMES[key].printed} is measured in {having} of {len(loops)} loops. {most}"


def _no_temperatures(loops: Sequence[RepeatedLoop]) -> str | None:
    """Why the loops' temperatures tell no coefficient of anything; None where they may."""
    T = np.array([loop.temperature for loop in loops])
    if not np.isfinite(T).all():
        return (
            f"The temperature was noted in {int(np.isfinite(T).sum())} of {len(loops)} loops; all need it "
            "(a lift's thermistor, or the notebook's temperature_degC)."
        )
    apart, within = float(np.ptp(T)), float(np.median([loop.within for loop in loops]))
    if apart > APART * within and apart > 0.0:
        return None
    return (
        f"The loops' temperatures, {T.min() - ZERO_CELSIUS:.1f} to {T.max() - ZERO_CELSIUS:.1f} °C, do not "
        f"vary enough: {apart:.2f} K from loop to loop, {within:.2f} K within one. Warm bench and sample by "
        "some kelvins, or run through a day whose temperature changes."
    )


def _correlation(loops: Sequence[RepeatedLoop]) -> float:
    """Of temperature and time; zero where the time was not noted."""
    T, t = np.array([(loop.temperature, loop.time) for loop in loops]).T
    return float(np.corrcoef(T, t)[0, 1]) if np.isfinite(t).all() and np.ptp(t) > 0 else 0.0


def _follow(
    key: str, loops: Sequence[RepeatedLoop], why_not: str | None, seed: int, alone: float | None
) -> tuple[Repeatability, Coefficient]:
    """One figure by temperature and time, least squares; of each trial as of the values."""
    count = min(len(loop.samples[key]) for loop in loops)
    trials = np.array([loop.samples[key][:count] for loop in loops], float)
    good = np.isfinite(trials).all(axis=0)
    inputs = {key: words for loop in loops for key, words in loop.shared.items()}
    inputs |= {identity: key for loop in loops for key, identity in common_errors(loop.sample).items()}
    normals = shared_normals(seed, tuple(inputs), count)[good]
    trials = trials[:, good]
    values = np.array([_measured(loop, key) for loop in loops])
    T, t = np.array([(loop.temperature, loop.time) for loop in loops]).T
    columns = {"level": np.ones(len(loops))}
    if why_not is None:
        columns["temperature"] = T - T.mean()
    separate = why_not is not None or abs(_correlation(loops)) < ALIKE
    timed = bool(np.isfinite(t).all()) and np.ptp(t) > 0
    if separate and timed and len(loops) - len(columns) > LEAST_FREEDOM:
        columns["time"] = (t - t.mean()) / 3600.0
    X = np.column_stack(list(columns.values()))
    place = {name: i for i, name in enumerate(columns)}
    solve, inverse = np.linalg.pinv(X), np.linalg.inv(X.T @ X)
    freedom = len(loops) - X.shape[1]
    best, of_trials = solve @ values, solve @ trials
    scatter = float(np.sqrt(np.sum((values - X @ best) ** 2) / freedom))
    expected = float(np.sqrt(np.mean([loop.own[key] ** 2 for loop in loops])))
    per_hour = u_per_hour = None
    if "time" in place:
        i = place["time"]
        per_hour = float(best[i])
        of_inputs = _by_inputs(of_trials[i], normals)
        u_per_hour = float(np.sqrt(scatter**2 * inverse[i, i] + np.sum(of_inputs**2)))
    mean = float(values.mean())
    found = Repeatability(key, len(loops), mean, scatter, freedom, expected, per_hour, u_per_hour)
    symbol = COEFFICIENTS.get(key, "")
    if why_not is None and freedom < LEAST_FREEDOM:
        why_not = f"{len(loops)} loops: a coefficient wants {2 + LEAST_FREEDOM} or more."
    if why_not is not None:
        return found, Coefficient(key, symbol, "not determined", why_not)
    b, back = place["temperature"], REFERENCE - T.mean()
    at, at_trials = best[0] + back * best[b], of_trials[0] + back * of_trials[b]
    u_scatter = float(scatter * np.sqrt(inverse[b, b]) / abs(at))
    of_inputs = _by_inputs(of_trials[b] / at_trials, normals)
    u_shared = float(np.sqrt(np.sum(of_inputs**2)))
    u = float(np.hypot(u_scatter, u_shared))
    if u > LEAST_KNOWN:
        apart = float(np.ptp(T))
        why = (
            f"Over {apart:.1f} K it is known to {100 * u:.2g} %/K only, and not reported beyond "
            f"{100 * LEAST_KNOWN:g} %/K: about {apart * u / LEAST_KNOWN:.0f} K, or more loops, would do."
        )
        return found, Coefficient(key, symbol, "not determined", why)
    # JCGM 100:2008, G.4.1 (Welch and Satterthwaite): what is shared is known as well as it is stated.
    effective = freedom * (u / u_scatter) ** 4 if u_scatter > 0 else np.inf
    value, half = float(best[b] / at), _student(effective) * u
    parts = [(SCATTER, u_scatter), *zip(inputs.values(), of_inputs.tolist(), strict=True)]
    budget = sorted(
        (BudgetLine(w, (p / u) ** 2, p) for w, p in parts if p > 0.02 * u), key=lambda x: -x.share
    )
    return found, Coefficient(
        key, symbol, "measured", None, value, u, value - half, value + half, u_scatter, u_shared,
        float(min(effective, 1e6)), float(at), alone or float(at_trials.std()), tuple(budget),
    )  # fmt: skip


def _by_inputs(trials: Floats, normals: Floats) -> Floats:
    """What each shared input makes of the spread of ``trials`` (t,), by its ``normals`` (t, k): standard
    uncertainties (k,), less what chance makes of the regression."""
    centred = trials - trials.mean()
    slopes, *_ = np.linalg.lstsq(normals, centred, rcond=None)
    chance = np.std(centred - normals @ slopes) / np.sqrt(len(trials))
    found = np.sqrt(np.maximum(slopes**2 - chance**2, 0.0))
    return np.where(found > 1e-12 * np.abs(trials).max(), found, 0.0)


def _student(freedom: float) -> float:
    """Student's factor of a 95 % interval."""
    from scipy.special import stdtrit

    return float(stdtrit(min(freedom, 1e6), 0.975))


def _number(value: float) -> float | None:
    return float(value) if np.isfinite(value) else None
