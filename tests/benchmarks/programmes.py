"""Recoil and remanence programmes of drawn samples on benches whose files are wrong within what they state:
errors in units of what is stated.

    python -m tests.benchmarks.programmes [--samples 10] [--seed 3] [--model second|twin] [--after recoil]

The samples are the second model's, with memory at every point, or the bench twin's; the truth is what their
material does in a uniform internal field. Constants of `analysis/programmes/settings.py` are chosen with even
seeds only. ``--after``: each is run through that programme before.
"""

from __future__ import annotations

import argparse
import sys
import time
from collections import defaultdict
from collections.abc import Callable, Sequence

import numpy as np

from tests.support.models.programme_samples import second_model, twins_own, way
from weighloop.analysis.programmes import curves
from weighloop.analysis.programmes.history_fit import HistoryFit
from weighloop.analysis.programmes.results import analyse_programme

Floats = np.ndarray
#: M of the material led through uniform internal fields, A/m.
Led = Callable[[Sequence[float] | Floats], Floats]
MODELS = {"second": second_model, "twin": twins_own}


def left_after(led: Led, top: float, fields: Floats) -> Floats:
    """Remanence after ever larger reverse fields, A/m."""
    path = [top, 0.0, *np.column_stack([-fields, np.zeros(len(fields))]).ravel()]
    return led(path)[3::2]


def score(name: str, history: HistoryFit, led: Led, errors: dict[str, list[float]]) -> None:
    """Errors of one run in standard uncertainties, by what they are of."""
    top = float(history.follow([history.largest]).H[0, 0])
    whole = led([top, 0.0])[-1]
    fields = np.linspace(1e3, 0.9 * top, 400)
    left = left_after(led, top, fields)
    if name == "recoil":
        found = curves.recoil(history)
        for k in range(2, len(found.loss) - 2, 3):
            M = led([top, 0.0, found.H_reverse[k], 0.0])
            errors["loss of flux"].append((found.loss[k] - 1.0 + M[-1] / whole) / found.u_loss[k])
            slope = 1.0 + (M[-1] - M[-2]) / -found.H_reverse[k]
            errors["recoil permeability"].append((found.permeability[k] - slope) / found.u_permeability[k])
        five = np.interp(0.05, 1.0 - left / whole, fields)
        errors["field of 5 % loss"].append((found.field_of_loss.value - five) / found.field_of_loss.u)
        return
    found = curves.remanence(history)
    errors["Mr"].append((found.remanence.value - whole) / found.remanence.u)
    errors["Hcr"].append((found.Hcr.value - np.interp(0.0, -left, fields)) / found.Hcr.u)
    for k in range(2, len(found.left) - 2, 3):
        floor = 1e-3 * whole
        acquired = led([found.H[k], 0.0])[-1]
        errors["acquired"].append((found.acquired[k] - acquired) / max(found.u_acquired[k], floor))
        after = led([top, 0.0, -found.H[k], 0.0])[-1]
        errors["left"].append((found.left[k] - after) / max(found.u_left[k], floor))


def main() -> int:
    """Print, for each quantity, how many intervals of two standard uncertainties hold."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--samples", type=int, default=10)
    parser.add_argument("--seed", type=int, default=3)
    parser.add_argument("--model", choices=list(MODELS), default="second")
    parser.add_argument("--after", default="", help="a programme that each sample was run through before")
    parser.add_argument("--points", type=int, default=16)
    o = parser.parse_args()
    errors: dict[str, list[float]] = defaultdict(list)
    seconds: list[float] = []
    withheld: dict[str, int] = defaultdict(int)
    aside = 0
    for number in range(o.samples):
        sample = MODELS[o.model](np.random.default_rng([o.seed, number]))
        for name in ("recoil", "remanence"):
            random = np.random.default_rng([o.seed, number, len(name)])
            names = [o.after, name] if o.after else [name]
            table = sample.weighed([way(sample, each, o.points) for each in names], random, name)
            begun = time.process_time()
            result = analyse_programme(table, sample.bench, name, draws=300)
            seconds.append(time.process_time() - begun)
            aside += bool(result.history and result.history.warnings)
            if result.why_not is not None:
                withheld[f"{name}: {result.why_not.partition(':')[0]}"] += 1
            elif result.history is not None:
                score(name, result.history, sample.led, errors)
    print(
        f"{o.samples} samples, seed {o.seed}, {o.model}{', after ' * bool(o.after)}{o.after}; "
        f"{np.median(seconds):.1f} s of processor a run; not determined: {dict(withheld)}; rows set aside in "
        f"{aside} runs"
    )
    print("of                    number  held, %   rms  largest")
    for name, found in errors.items():
        z = np.array(found)
        z = np.abs(z[np.isfinite(z)])
        print(
            f"{name:20} {len(z):7} {100 * np.mean(z < 2):8.1f} {np.sqrt(np.mean(z**2)):6.2f} {z.max():7.1f}"
        )
    return 0


if __name__ == "__main__":
    sys.exit(main())
