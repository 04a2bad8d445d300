"""How often the 95 % interval of each figure holds the truth, over benches that are wrong as their file says.

    python -m tests.benchmarks.coverage --benches 400

Every bench is drawn from its stated uncertainties (remanence, contact gap, sample sizes, gravity,
temperature, readings, setting of each gap), weighed by the tests' own field, and analysed with the
file's values. The truth is the material's.
"""

from __future__ import annotations

import argparse
import time

import numpy as np

from tests.models.loops import GRAVITY, PER_KG, TanhLoop, True_, noisy_run, reclaimed_bench
from weighloop.analysis.results import analyse
from weighloop.analysis.uncertainty import U_GAP

#: Samples that saturate on this bench; one that does not has bounds, which claim something else.
MATERIALS = (TanhLoop(300e3, 40e3, 8e3), TanhLoop(260e3, 30e3, 6e3), TanhLoop(330e3, 35e3, 10e3))


def drawn(rng: np.random.Generator) -> True_:
    """A bench within its file's uncertainties."""
    bench = reclaimed_bench()
    z = rng.standard_normal(6)
    magnet, sample, site = bench.reference_magnet, bench.sample, bench.site
    assert sample.diameter is not None
    warmth = magnet.temperature_coefficient.value * site.temperature.u * z[1]
    return True_(
        remanence=(magnet.remanence.value + magnet.remanence.u * z[0]) * (1 + warmth),
        contact_error=bench.gap.contact.u * z[2],
        diameter=sample.diameter.value + sample.diameter.u * z[3],
        height=sample.height.value + sample.height.u * z[4],
        # Free air: -3.086e-6 1/s^2 (as in the model's gravity).
        per_kg=PER_KG * (1 - 3.086e-6 * site.altitude.u * z[5] / GRAVITY),
    )


def coverage(
    benches: int, trials: int = 2000, seed: int = 1, gaps: int = 22
) -> dict[str, tuple[int, int, float]]:
    """By figure: how often the interval held the truth, of how many, and the mean of (value - truth)/u."""
    rng = np.random.default_rng(seed)
    hits: dict[str, list[bool]] = {}
    z: dict[str, list[float]] = {}
    for number in range(benches):
        material = MATERIALS[number % len(MATERIALS)]
        readings = noisy_run(
            int(rng.integers(2**31)),
            material,
            np.geomspace(1e-3, 30e-3, gaps),
            truth=drawn(rng),
            gap_error=U_GAP,
        )
        result = analyse(readings, reclaimed_bench(), trials=trials, seed=number)
        for name, truth in material.figures().items():
            figure = result.figures[name]
            if figure.status != "measured" or figure.value is None or figure.u is None:
                continue
            assert figure.low95 is not None
            assert figure.high95 is not None
            hits.setdefault(name, []).append(figure.low95 <= truth <= figure.high95)
            z.setdefault(name, []).append((figure.value - truth) / figure.u)
    return {name: (sum(h), len(h), float(np.mean(z[name]))) for name, h in hits.items()}


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0] if __doc__ else None)
    parser.add_argument("--benches", type=int, default=400)
    parser.add_argument("--trials", type=int, default=2000)
    parser.add_argument("--seed", type=int, default=1)
    asked = parser.parse_args()
    start = time.perf_counter()
    found = coverage(asked.benches, asked.trials, asked.seed)
    print(f"{'figure':26s} {'in 95 % interval':>17s} {'of':>5s} {'mean (value - truth)/u':>24s}")
    for name, (inside, count, bias) in found.items():
        print(f"{name:26s} {100 * inside / count:15.1f} % {count:5d} {bias:24.2f}")
    print(f"{asked.benches} benches, {asked.trials} trials each, {time.perf_counter() - start:.0f} s")


if __name__ == "__main__":
    main()
