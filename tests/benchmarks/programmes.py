"""Programmes of drawn samples on benches whose files are wrong within what they state: errors in units of u.

    python -m tests.benchmarks.programmes [--samples 10] [--seed 3] [--model second|twin] [--after recoil]
        [--programmes recoil,remanence,reversal,decay] [--spacers]

The samples are the second model's, with memory at every point, or the bench twin's. Curves are judged by what
their material does in a uniform internal field as large as the run's, figures by what it does in any: of one
that is measured its interval is to hold, of a bound the true value is to lie beyond it. Constants of
`analysis/programmes/settings.py` are chosen with even seeds only. ``--after``: each is run through that
programme before. A decay is S ln t on a held reading, with a drift of the balance and a slow swing of it.
"""

from __future__ import annotations

import argparse
import sys
import time
from collections import Counter, defaultdict
from collections.abc import Callable, Sequence
from typing import Literal

import numpy as np

from tests.support.models.programme_samples import U_READING, DrawnSample, second_model, twins_own, way
from weighloop.analysis.programmes.curves import LOSS, RecoilResult, RemanenceResult, ReversalResult
from weighloop.analysis.programmes.decay import DecayResult
from weighloop.analysis.programmes.history_fit import HistoryFit
from weighloop.analysis.programmes.path import plan_programme
from weighloop.analysis.programmes.programme import programme
from weighloop.analysis.programmes.results import GIVES, Found, analyse_programme
from weighloop.analysis.records.readings import Readings

Floats = np.ndarray
#: M of the material led through uniform internal fields, A/m.
Led = Callable[[Sequence[float] | Floats], Floats]
MODELS = {"second": second_model, "twin": twins_own}
#: A field that saturates every sample, A/m; every so many points of a curve are looked at.
SATURATING, EVERY = 3e6, 3
#: Error by u, by what it is of.
Errors = dict[str, list[float]]


def left_after(led: Led, top: float, fields: Floats) -> Floats:
    """Remanence after ever larger reverse fields, A/m."""
    path = [top, 0.0, *np.column_stack([-fields, np.zeros(len(fields))]).ravel()]
    return led(path)[3::2]


def curves(found: Found, history: HistoryFit, led: Led, errors: Errors, steps: Errors) -> None:
    """Errors of the curves of one run, and of its map."""
    top = float(history.follow([history.largest]).H[0, 0])
    whole = led([top, 0.0])[-1]
    some = range(2, 22, EVERY)
    if isinstance(found, RecoilResult):
        for k in some:
            M = led([top, 0.0, found.H_reverse[k], 0.0])
            errors["loss of flux"].append((found.loss[k] - 1.0 + M[-1] / whole) / found.u_loss[k])
            slope = 1.0 + (M[-1] - M[-2]) / -found.H_reverse[k]
            errors["recoil permeability"].append((found.permeability[k] - slope) / found.u_permeability[k])
    elif isinstance(found, RemanenceResult):
        for k in some:
            acquired, left = led([found.H[k], 0.0])[-1], led([top, 0.0, -found.H[k], 0.0])[-1]
            errors["acquired"].append((found.acquired[k] - acquired) / found.u_acquired[k])
            errors["left"].append((found.left[k] - left) / found.u_left[k])
            difference = left / whole - 1.0 + 2.0 * acquired / whole
            errors["difference"].append((found.difference[k] - difference) / found.u_difference[k])
    elif isinstance(found, ReversalResult):
        H, M, u = found.curves.H, found.curves.M, np.hypot(found.curves.u_M, 1e-3 * whole)
        for k in some:
            true = led([top, *H[k]])[1:]
            errors["M of reversal curves"].extend(((M[k] - true) / u[k])[4::12])
        true = true_map(found, led, top)
        off = ((found.density - true) / found.u_density)[found.known]
        errors["density where known"].extend(off[:: max(1, len(off) // 12)])
        of_map(found, true, steps)


def true_map(found: ReversalResult, led: Led, top: float) -> Floats:
    """-1/2 d2M / dHr dH of the material between the map's fields, per A/m; NaN below the reversal field."""
    step = found.fields[1] - found.fields[0]
    edges = np.append(found.fields - 0.5 * step, found.fields[-1] + 0.5 * step)
    M = np.array([np.append(np.full(k, np.nan), led([top, *edges[k:]])[1:]) for k in range(len(edges))])
    M = np.where(np.isnan(M), M[np.arange(len(edges)), np.arange(len(edges))], M)
    return np.where(
        np.isfinite(found.density), -0.5 * np.diff(np.diff(M, axis=0), axis=1).T / step**2, np.nan
    )


def ridge(density: Floats, over: Literal[-1, 1]) -> tuple[float, float]:
    """Where a map (n, n), summed across, is largest, and its standard deviation about its mean, both in steps
    of its grid: over coercive field (``over`` -1) or interaction field (1)."""
    n = len(density)
    up, down = np.mgrid[:n, :n]
    sums = np.bincount((up + over * down + n).ravel(), density.ravel(), 3 * n)
    # Places of odd number lie between those of even: each has what is on both its sides.
    sums = np.convolve(sums, (0.25, 0.5, 0.25), "same")
    at = np.arange(3 * n)
    most = int(sums[2:-2].argmax()) + 2
    bend, slope, _ = np.polyfit(at[:5] - 2, sums[most - 2 : most + 3], 2)
    share = sums / sums.sum()
    return 0.5 * (most - slope / (2.0 * bend)), 0.5 * float(np.sqrt(share @ (at - share @ at) ** 2))


def of_map(found: ReversalResult, true: Floats, steps: Errors) -> None:
    """By how many steps of its grid what is known of a map is off; its ridge is held against that of all that
    is true, known or not."""
    # Where a curve begins the difference is that of two slopes, which is below zero.
    whole = np.maximum(np.nan_to_num(true), 0.0)
    known, there = (np.where(found.known, density, 0.0) for density in (found.density, whole))
    for name, over in (("coercive", -1), ("interaction", 1)):
        at, wide = ridge(known, over)
        steps[f"ridge over {name} field"].append(at - ridge(whole, over)[0])
        steps[f"width over {name} field"].append(wide - ridge(there, over)[1])


def true_figures(found: Found, history: HistoryFit | None, sample: DrawnSample) -> dict[str, float]:
    """What the figures of one run are of the material."""
    led = sample.led
    fields = np.linspace(1e3, 400e3, 250)
    whole = led([SATURATING, 0.0])[-1]
    left = left_after(led, SATURATING, fields)
    if isinstance(found, RecoilResult):
        five = float(np.interp(LOSS, 1.0 - left / whole, fields))
        k = int(np.argmin(np.where(found.loss < LOSS, found.u_permeability, np.inf)))
        M = led([SATURATING, 0.0, found.H_reverse[k], 0.0])
        return {
            "field_of_loss_A_per_m": five,
            "load_line_of_loss": led([SATURATING, 0.0, -five])[-1] / five - 1.0,
            "recoil_permeability": 1.0 + (M[-1] - M[-2]) / -found.H_reverse[k],
        }
    if isinstance(found, RemanenceResult):
        most = int(np.nanargmax(np.abs(found.difference)))
        acquired = led([found.H[most], 0.0])[-1]
        return {
            "remanence_A_per_m": whole,
            "remanence_coercivity_A_per_m": float(np.interp(0.0, -left, fields)),
            "largest_difference": float(np.interp(found.H[most], fields, left)) / whole
            - 1.0
            + 2.0 * acquired / whole,
        }
    assert isinstance(found, ReversalResult)
    assert history is not None
    top = float(history.follow([history.largest]).H[0, 0])
    weight = np.where(found.known, true_map(found, led, top), 0.0)
    up, down = np.meshgrid(found.fields, found.fields, indexing="ij")
    means = [float(np.sum(weight * field) / weight.sum()) for field in (0.5 * (up - down), 0.5 * (up + down))]
    return dict(zip(("coercive_field_A_per_m", "interaction_field_A_per_m"), means, strict=True))


def held(sample: DrawnSample, rng: np.random.Generator, points: int) -> tuple[Readings, float]:
    """The notebook of a decay, and its S, A/m: in every third run there is none, in half of them the zero is
    read before and after."""
    steps = plan_programme(sample.bench, programme("decay"), points).steps
    gap, orientation, leg, wait = (
        np.array([getattr(s, key) for s in steps]) for key in ("gap", "orientation", "leg", "wait")
    )
    # A held sample is weighed once: what the model's own field is solved to would creep.
    come, n = wait == 0.0, len(steps)
    once = sample.weighed([(gap[come], orientation[come], leg[come])], rng, "decay")
    pull = once.reading[np.cumsum(come) - 1] + np.where(come, 0.0, U_READING * rng.standard_normal(n))
    S = float(rng.uniform(50.0, 1500.0)) * float(rng.random() > 1.0 / 3.0)
    time_ = np.cumsum(np.where(wait > 0.0, np.diff(wait, prepend=0.0), 20.0).clip(min=1.0))
    on = np.flatnonzero(wait > 0.0)
    rows = np.arange(on[0] - 1, on[-1] + 1)
    since = time_ - time_[rows[0] - 1]
    hours, swing = (since - since[rows[0]]) / 3600.0, 20e-6 * rng.standard_normal()
    zero = 20e-6 * rng.standard_normal() * hours + swing * np.sin(
        2.0 * np.pi * hours / rng.uniform(1.0, 4.0) + rng.uniform(0.0, 6.0)
    )
    lost = np.where(np.isin(np.arange(n), rows), S * np.log(np.maximum(since / 20.0, 1.0)), 0.0)
    before, after, nothing = (np.full(n, np.nan) for _ in range(3))
    if rng.random() < 0.5:
        before[rows], after[rows] = zero[rows[0]], zero[rows[-1]]
    table = Readings(
        row=np.arange(1, n + 1), gap=gap, spacers=nothing, orientation=orientation.astype(np.int64),
        reading=pull + orientation * sample.pull_by_M(gap) * lost + zero,
        zero_before=before, zero_after=after, u_reading=np.full(n, U_READING), temperature=nothing,
        time=time_, note=("",) * n, set_aside=(None,) * n, gives="decay",
    )  # fmt: skip
    return table, S


def main() -> int:
    """Print, for each quantity, how many intervals of two standard uncertainties, or bounds, hold."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawTextHelpFormatter)
    parser.add_argument("--samples", type=int, default=10)
    parser.add_argument("--seed", type=int, default=3)
    parser.add_argument("--model", choices=list(MODELS), default="second")
    parser.add_argument("--programmes", default=",".join(GIVES))
    parser.add_argument("--after", default="", help="a programme that each sample was run through before")
    parser.add_argument("--points", type=int, default=16)
    parser.add_argument("--spacers", action="store_true", help="it is taken off before each reading")
    o = parser.parse_args()
    errors: Errors = defaultdict(list)
    steps: Errors = defaultdict(list)
    bounds: dict[str, list[float]] = defaultdict(list)
    none: Counter[str] = Counter()
    seconds: list[float] = []
    aside = 0
    for number in range(o.samples):
        sample = MODELS[o.model](np.random.default_rng([o.seed, number]))
        for name in o.programmes.split(","):
            random = np.random.default_rng([o.seed, number, len(name)])
            names, S = [o.after, name] if o.after else [name], 0.0
            if name == "decay":
                table, S = held(sample, random, o.points)
            else:
                ways = [way(sample, each, o.points) for each in names]
                if o.spacers:
                    table = sample.weighed_by_hand(ways[-1], random, name)
                else:
                    table = sample.weighed(ways, random, name)
            begun = time.process_time()
            result = analyse_programme(table, sample.bench, name, draws=300)
            seconds.append(time.process_time() - begun)
            aside += bool(result.history and result.history.warnings)
            if result.why_not is not None:
                none[f"{name}: {result.why_not}"] += 1
                continue
            decays = isinstance(result.found, DecayResult)
            true = {"viscosity_A_per_m": S} if decays else true_figures(result.found, result.history, sample)
            if result.history is not None:
                curves(result.found, result.history, sample.led, errors, steps)
            for key, figure in result.figures.items():
                if figure.value is None or figure.u is None:
                    none[key] += 1
                elif figure.status == "bound":
                    side = -1.0 if figure.high95 is not None else 1.0
                    bounds[key].append(side * (true[key] - figure.value) / abs(figure.value))
                else:
                    errors[key].append((figure.value - true[key]) / figure.u)
    print(
        f"{o.samples} samples, seed {o.seed}, {o.model}{', after ' * bool(o.after)}{o.after}: "
        f"{np.median(seconds):.1f} s of processor a run, rows set aside in {aside} runs\n"
        f"not determined: {dict(none)}"
    )
    print("of                          number  held, %   mean    rms  largest")
    for name, found in errors.items():
        z = np.array(found)
        z = z[np.isfinite(z)]
        print(
            f"{name:28}{len(z):6} {100 * np.mean(np.abs(z) < 2):8.1f} {z.mean():6.2f} "
            f"{np.sqrt(np.mean(z**2)):6.2f} {np.abs(z).max():8.1f}"
        )
    if steps:
        print("in steps of the map's grid  number  within one, %   mean    rms  largest")
    for name, found in steps.items():
        off = np.array(found)
        print(
            f"{name:28}{len(off):6} {100 * np.mean(np.abs(off) <= 1):14.1f} {off.mean():6.2f} "
            f"{np.sqrt(np.mean(off**2)):6.2f} {np.abs(off).max():8.2f}"
        )
    print("bound on                    number  held, %  median distance of the true value, %")
    for name, found in bounds.items():
        by = np.array(found)
        print(f"{name:28}{len(by):6} {100 * np.mean(by >= 0):8.1f} {100 * np.median(by):8.1f}")
    return 0


if __name__ == "__main__":
    sys.exit(main())
