"""The settling filter on recorded breathing and ground motion, scaled to the balance.

``python -m tests.benchmarks.settling_recorded [--trials N] [--data DIR]``. Needs the files of ``peakdet``,
``obspy`` and ``systole`` (installed, or unpacked side by side in DIR); what is not there is left out.
"""

from __future__ import annotations

import argparse
from multiprocessing import get_context
from pathlib import Path

import numpy as np

from tests.benchmarks.settling import BASELINES, HEAD, Trial, row, settle
from tests.support.models import recorded
from tests.support.models.streams import Disturbances, logarithmic, make

KINDS = {
    "recorded breath": (recorded.respiration, 1.0, 20.0),
    "recorded belt": (recorded.belt, 1.0, 20.0),
    "recorded ground": (recorded.ground, 0.5, 10.0),
}
SENSOR = (0.4, 2.5)  # digits, as in the seeded classes


def trial(job: tuple[str, int, int, Path | None]) -> Trial:
    name, number, seed, root = job
    load, low, high = KINDS[name]
    record = load(root)
    assert record is not None
    rng = np.random.default_rng([seed, 1000 + list(KINDS).index(name), number])
    rms = logarithmic(rng, low, high)
    s = make(
        rng,
        name,
        recorded=recorded.piece(record, rms),
        kind=Disturbances(sensor=logarithmic(rng, *SENSOR)),
    )
    outcome, bare = settle(s)
    rules = {key: rule(s) for key, rule in BASELINES.items()}
    return Trial(name, s.target, s.digit, float("nan"), outcome, bare, others=rules)


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--trials", type=int, default=60, help="of each record")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--workers", type=int, default=2)
    parser.add_argument("--data", type=Path, help="where the packages lie unpacked")
    options = parser.parse_args()
    there = [name for name, (load, *_) in KINDS.items() if load(options.data) is not None]
    for name in KINDS.keys() - set(there):
        print(f"{name}: its package is not there, left out")
    if not there:
        return
    jobs = [(name, k, options.seed, options.data) for k in range(options.trials) for name in there]
    with get_context("spawn").Pool(options.workers) as pool:
        trials = pool.map(trial, jobs, chunksize=2)
    print(f"{options.trials} trials of each; no bound is known for recorded disturbances")
    print(HEAD)
    for name in there:
        mine = [t for t in trials if t.name == name]
        print(row(name, mine))
        for rule in BASELINES:
            print(row(rule, mine, rule))


if __name__ == "__main__":
    main()
