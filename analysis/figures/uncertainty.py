"""Uncertainty of a loop's figures: JCGM 101 Monte Carlo over shared and random inputs, with the budget.

A trial is a whole loop: the state (both branches) answers to first and second order to the shared inputs
and linearly to each reading's own error, and the figures are read off the trial's branches as off the
measured ones, so their non-linearity is whole. Intervals are probabilistically symmetric, 95 %.
"""

from __future__ import annotations

import zlib
from collections.abc import Sequence
from dataclasses import dataclass, replace
from itertools import pairwise

import numpy as np

from ..constants import MU0
from ..forces.zeros import Zeros
from ..inversion.loop import LoopEstimate
from ..inversion.saturation import judge
from ..magnetostatics.bench_linearisation import stated_correlation
from ..records.arrays import Floats
from ..records.bench import Bench
from ..records.readings import Readings
from . import model_error
from .definitions import Figure
from .extract import read_figures
from .independent_inputs import IndependentInput, birge_ratio, independent_inputs
from .monte_carlo import law_of_propagation, propagate, summarise, validates
from .sensitivities import State, SystematicInput, of_method, shared_inputs
from .settings import BAND_TRIALS, BATCH, MISSING, VAGUE, VAGUE_BY

#: Half width of a 95 % interval by standard uncertainties, normal distribution (JCGM 100, G.1).
_K95 = 1.959963984540054

#: What each of these cannot be below: M never falls towards a larger field, and B = μ0 (H + M) changes its
#: sign before M.
_EXCEEDS = {
    "saturation_A_per_m": "remanence_A_per_m",
    "specific_saturation_A_m2_per_kg": "specific_remanence_A_m2_per_kg",
    "coercivity_HcJ_A_per_m": "coercivity_HcB_A_per_m",
}


@dataclass(frozen=True)
class FigureResult:
    """One figure with its uncertainty, SI; None where there is none.

    ``u`` standard uncertainty, ``low95`` and ``high95`` the ends of the 95 % interval (for a ``bound``
    of the bound's own spread; it has no upper end). ``u_linear`` is the law of propagation's standard
    uncertainty, ``linear_holds`` whether its interval validates (JCGM 101, 8.1).
    """

    value: float | None
    u: float | None
    low95: float | None
    high95: float | None
    status: str
    why: str | None
    u_linear: float | None = None
    linear_holds: bool | None = None


@dataclass(frozen=True)
class BudgetLine:
    """One input's part in a figure's uncertainty: ``share`` of the variance, ``u`` by itself (SI)."""

    input: str
    share: float
    u: float


@dataclass(frozen=True, eq=False)
class Uncertainty:
    """What is known of a loop's uncertainty; see ``evaluate``."""

    figures: dict[str, FigureResult]
    budget: dict[str, tuple[BudgetLine, ...]]
    u_M: Floats
    bands: dict[str, tuple[Floats, Floats]]
    samples: dict[str, Floats]
    trials: int
    #: Every shared input: what tells it from another run's, and its words.
    shared: dict[str, str]


def evaluate(
    readings: Readings,
    zeros: Zeros,
    estimate: LoopEstimate,
    figures: dict[str, Figure],
    bench: Bench,
    *,
    trials: int = 10_000,
    seed: int = 1,
) -> Uncertainty:
    """Uncertainty of every figure, of M at every point (``u_M`` (n,), A/m) and of both branches
    (``bands``: low and high (m,) of the 95 % band of M at fixed applied field), and the budget.

    ``samples`` are the trials of each figure (t,), by which runs are compared: an input that two runs
    share (same place in the bench file, same value) takes the same values in both.
    """
    centre, answer, shared = shared_inputs(estimate, bench)
    scale = birge_ratio(estimate)
    own = independent_inputs(zeros, estimate, bench, scale)
    law = (
        judge(estimate.descending, estimate.ascending).law_of_approach if len(estimate.descending) else False
    )
    model = _Model(centre, answer.d_force, shared, own, estimate, figures, bench, law, readings, seed)
    samples = propagate(model, seed, most=max(trials, 2), batch=min(BATCH, max(trials // 2, 1)))
    linear, budget = _linear(model)
    HcJ = figures["coercivity_HcJ_A_per_m"].value if "coercivity_HcJ_A_per_m" in figures else None
    results = {
        name: _result(
            figure,
            samples.get(name),
            linear.get(name),
            _scale(name, figure.value or 0.0, HcJ or 0.0),
            VAGUE_BY.get(name),
        )
        for name, figure in figures.items()
    }
    results = {name: _possible(name, result, results) for name, result in results.items()}
    budget = {
        name: lines for name, lines in budget.items() if name in results and results[name].u is not None
    }
    u_M, bands = _spread_of_M(model), _bands(model)
    done = len(next(iter(samples.values()))) if samples else 0
    return Uncertainty(results, budget, u_M, bands, samples, done, {s.identity: s.words for s in shared})


class _Model:
    """Trials of the figures: the model that ``propagate`` runs."""

    def __init__(
        self,
        centre: State,
        answer: Floats,
        shared: tuple[SystematicInput, ...],
        own: tuple[IndependentInput, ...],
        estimate: LoopEstimate,
        figures: dict[str, Figure],
        bench: Bench,
        law: bool,
        readings: Readings,
        seed: int,
    ) -> None:
        self.centre, self.shared, self.own = centre, shared, own
        self.estimate, self.figures, self.law = estimate, figures, law
        self.answer = answer
        curves = len(centre.vector) - centre.points
        self.curves = curves
        # Only what the figures are read from is tried: not the points.
        self.first_order = np.array([s.first_order[:curves] for s in shared])
        self.second_order = np.array([s.second_order[:curves] for s in shared])
        self.roots = [o.felt(self.answer[:curves]) for o in own]
        self.words = [o.words for o in own]
        streams = [o.key for o in own]
        for key, words, root in of_method(centre, estimate):
            if root.any():
                self.roots.append(root[:curves])
                self.words.append(words)
                streams.append(key)
        #: Correlation of the shared inputs as stated, and its root.
        self.correlation = stated_correlation(bench, tuple(s.key for s in shared))
        self.root = np.linalg.cholesky(self.correlation)
        mark = zlib.crc32(
            readings.reading.tobytes() + readings.gap.tobytes() + readings.orientation.tobytes()
        )
        self.streams = {s.identity: _stream(seed, s.identity) for s in shared}
        # Some of what a model is off by in one run it is off by in the next.
        common = model_error.common_errors(bench.sample.name)
        self.own_streams = [_stream(seed, common.get(key, f"{mark}|{key}")) for key in streams]

    def __call__(self, rng: np.random.Generator, count: int) -> dict[str, Floats]:
        """``count`` trials of every figure. Each input has a stream of its own, so ``rng`` is not used."""
        return self.read(self.states(count))

    def states(self, count: int) -> Floats:
        """``count`` trials of the loop's state (t, L).

        A trial's branch may fall where the measured one is level: were it kept from that, every ratio of two
        points of a level stretch would lie to one side of the measured one.
        """
        z = np.array([self.streams[s.identity].standard_normal(count) for s in self.shared]).T
        z = z @ self.root.T
        states = self.centre.vector[: self.curves] + z @ self.first_order + z**2 @ self.second_order
        for stream, root in zip(self.own_streams, self.roots, strict=True):
            states += stream.standard_normal((count, root.shape[1])) @ root.T
        return states

    def read(self, states: Floats) -> dict[str, Floats]:
        """The figures of ``states`` (t, L); only those the loop has."""
        part = lambda name: self.centre.part(name, states)  # noqa: E731
        up = self.centre.up > 0
        with np.errstate(invalid="ignore", divide="ignore"):
            found = read_figures(
                part("H_down"),
                part("M_down"),
                part("N")[:, 0],
                part("H_up") if up else None,
                part("M_up") if up else None,
                law_of_approach=self.law,
            )
            if self.law:
                found["saturation_A_per_m"] *= part("approach")[:, 0]
                found["squareness"] /= part("approach")[:, 0]
            density = part("density")[:, 0]
            found["density_kg_per_m3"] = density
            for name in ("saturation", "remanence"):
                found[f"specific_{name}_A_m2_per_kg"] = found[f"{name}_A_per_m"] / density
        HcJ = "coercivity_HcJ_A_per_m"
        figure = self.figures.get(HcJ)
        if figure is not None and figure.status == "bound" and part("M_down").shape[1]:
            # Where M did not change sign the bound is the largest reverse field.
            reverse = -(part("H_down")[:, 0] - part("N")[:, 0] * part("M_down")[:, 0])
            found[HcJ] = np.where(np.isfinite(found[HcJ]), found[HcJ], reverse)
        return {name: values for name, values in found.items() if self._has(name)}

    def _has(self, name: str) -> bool:
        figure = self.figures.get(name)
        return figure is not None and figure.value is not None


def shared_normals(seed: int, identities: Sequence[str], count: int) -> Floats:
    """The standard normals (count, k) that trials of ``seed`` take for inputs that runs share."""
    return np.column_stack([_stream(seed, identity).standard_normal(count) for identity in identities])


def _stream(seed: int, identity: str) -> np.random.Generator:
    return np.random.default_rng([seed, zlib.crc32(identity.encode("utf-8", "surrogatepass"))])


def _scale(name: str, value: float, HcJ: float) -> float:
    """What a figure's uncertainty is measured by, where it is asked whether it is vague."""
    if name not in VAGUE_BY:
        return abs(value)
    return HcJ if name == "knee_field_Hk_A_per_m" else 1.0


def _result(
    figure: Figure, samples: Floats | None, u_linear: float | None, scale: float, by: str | None
) -> FigureResult:
    """A figure with what its trials say; vague by its ``scale``: its own value, or ``by`` in words."""
    if figure.value is None or samples is None:
        return FigureResult(None, None, None, None, "not determined", figure.why)
    s = summarise(samples)
    if s.missing > MISSING or not np.isfinite(s.u):
        why = f"Within the uncertainties, {100 * s.missing:.0f} % of the trials do not have this figure."
        return FigureResult(None, None, None, None, "not determined", why)
    holds = None
    if u_linear is not None:
        interval = (figure.value - _K95 * u_linear, figure.value + _K95 * u_linear)
        holds = validates(interval, (s.low, s.high), s.u, digits=1)
    if s.u > VAGUE * scale:
        known, what = 100 * s.u / max(scale, 1e-300), "" if by is None else f" of {by}"
        why = f"It is known to {known:.0f} %{what} only, and not reported beyond {100 * VAGUE:.0f} %."
        return FigureResult(None, None, None, None, "not determined", why)
    if figure.status == "bound":
        # A bound is stated at its own confidence limit, so that it is one in 97.5 % of cases.
        return FigureResult(s.low, s.u, s.low, None, figure.status, figure.why, u_linear, holds)
    high = s.high
    return FigureResult(figure.value, s.u, s.low, high, figure.status, figure.why, u_linear, holds)


def _possible(name: str, found: FigureResult, all_: dict[str, FigureResult]) -> FigureResult:
    """A figure that cannot be what it says is not reported; a bound is no lower than what it exceeds."""
    less = all_.get(_EXCEEDS.get(name, ""))
    if found.status == "bound" and found.low95 is not None and less is not None and less.low95 is not None:
        low = max(found.low95, less.low95)
        return replace(found, value=low, low95=low)
    if found.status != "measured" or found.value is None or found.u is None:
        return found
    most, least = np.inf, -np.inf
    HcJ, Mr = all_.get("coercivity_HcJ_A_per_m"), all_.get("remanence_A_per_m")
    if (
        name in ("coercivity_HcB_A_per_m", "knee_field_Hk_A_per_m")
        and HcJ is not None
        and HcJ.high95 is not None
    ):
        most, why = HcJ.high95, "above HcJ"
    elif name == "knee_squareness":
        most, why = 1.0, "above one"
    elif name == "BHmax_J_per_m3" and Mr is not None and Mr.high95 is not None:
        most, why = 0.25 * MU0 * Mr.high95**2, "above Br²/(4 μ0)"
    elif name == "recoil_permeability":
        least, why = 1.0, "below one"
    else:
        least, why = 0.0, "not above zero"
    beyond = max(found.value - most, least - found.value)
    # At a limit chance may lie on either side of it; nothing below zero is a chance.
    if beyond > 2.0 * found.u or found.value <= 0.0:
        return FigureResult(
            None, None, None, None, "not determined", f"What is read off is impossible: {why}."
        )
    return found


def _linear(model: _Model) -> tuple[dict[str, float], dict[str, tuple[BudgetLine, ...]]]:
    """The law of propagation (JCGM 100, 5.1): each figure's u, and its budget, one input at a time."""
    centre = model.centre.vector[: model.curves]
    # Every state that differs from the measured one by one standard uncertainty of one input.
    steps = [s.first_order[: model.curves][None, :] for s in model.shared]
    widths = [1] * len(steps)
    names = [s.words for s in model.shared]
    # A step by even answers only (an offset) has no first-order part: its spread, sqrt(2) of the square's.
    for i, s in enumerate(model.shared):
        if not np.any(s.first_order):
            steps[i] = np.sqrt(2.0) * s.second_order[: model.curves][None, :]
    # A row's own step through the linear answer; rows set aside do not count.
    for words, root in zip(model.words, model.roots, strict=True):
        steps.append(root.T)
        widths.append(root.shape[1])
        names.append(words)
    some: list[dict[str, Floats]] = []
    for step in steps:
        for at in range(0, len(step), BATCH):
            ahead, behind = (model.read(centre + side * step[at : at + BATCH]) for side in (1.0, -1.0))
            some.append({name: 0.5 * (values - behind[name]) for name, values in ahead.items()})
    bounds = np.cumsum([0, *widths])
    linear: dict[str, float] = {}
    budget: dict[str, tuple[BudgetLine, ...]] = {}
    for name in some[0] if some else ():
        c = np.concatenate([each[name] for each in some])
        c = np.where(np.isfinite(c), c, 0.0)
        u = np.array([np.sqrt(np.sum(c[a:b] ** 2)) for a, b in pairwise(bounds)])
        labels, u = _joined(model, names, u, c)
        total = law_of_propagation(np.ones(len(u)), u**2)
        linear[name] = total
        if total > 0:
            lines = [
                BudgetLine(n, float(v**2 / total**2), float(v))
                for n, v in zip(labels, u, strict=True)
                if v > 0
            ]
            budget[name] = tuple(sorted(lines, key=lambda line: -line.share))
    return linear, budget


def _joined(model: _Model, names: list[str], u: Floats, c: Floats) -> tuple[list[str], Floats]:
    """Inputs whose stated values are correlated count as one: apart they have no share."""
    r = model.correlation
    tied = np.flatnonzero((r != 0).sum(axis=1) > 1)
    if not len(tied):
        return names, u
    joint = np.sqrt(max(float(c[tied] @ r[np.ix_(tied, tied)] @ c[tied]), 0.0))
    rest = [i for i in range(len(names)) if i not in tied]
    together = "remanence and contact gap together" if len(tied) == 2 else "calibration of the bench"
    return [*(names[i] for i in rest), together], np.append(u[rest], joint)


def _spread_of_M(model: _Model) -> Floats:
    """Standard uncertainty of M at the points (n,), A/m, by the law of propagation."""
    centre = model.centre
    variance = np.zeros(centre.points)
    n = centre.points
    for own in model.own:
        variance += own.variance(model.answer[-n:])
    first = np.array([centre.part("M", s.first_order) for s in model.shared])
    variance += np.einsum("in,ij,jn->n", first, model.correlation, first)
    for s in model.shared:
        variance += 2.0 * centre.part("M", s.second_order) ** 2
    return np.sqrt(np.maximum(variance, 0.0))


def _bands(model: _Model) -> dict[str, tuple[Floats, Floats]]:
    """The 95 % band of M at fixed applied field along both branches: low and high (m,), A/m."""
    states = model.states(BAND_TRIALS)
    bands: dict[str, tuple[Floats, Floats]] = {}
    for name, H_name, M_name in (("descending", "H_down", "M_down"), ("ascending", "H_up", "M_up")):
        at = model.centre.part(H_name)
        if len(at) < 2:
            continue
        H, M = model.centre.part(H_name, states), model.centre.part(M_name, states)
        on_grid = np.array([np.interp(at, h, m) for h, m in zip(H, M, strict=True)])
        low, high = np.quantile(on_grid, [0.025, 0.975], axis=0)
        bands[name] = (low, high)
    return bands
