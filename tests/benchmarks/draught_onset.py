"""A draught begins while a run reads: how often is a reading taken that is not what it says?

    python -m tests.benchmarks.draught_onset [--sittings 100] [--seed 1] [--makers twin gusts] [--past]

A run's acquisition follows a calm bench, one load after another; at a random moment a draught of 2 to 5 mg
begins and stays. Every reading is scored against its load: *wrong* beyond 6 u and 3 mg, as the nights count.
"""

from __future__ import annotations

import os

os.environ.setdefault("OMP_NUM_THREADS", "1")
os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

import argparse
import time
from dataclasses import dataclass, replace

import numpy as np

from tests.support.models.draught_onsets import MAKERS, MOVE, READINGS, sitting
from weighloop.analysis.settling import NoiseMemory, SettlingFilter
from weighloop.analysis.settling.bench_past import learn_past
from weighloop.daemon.acquisition.level import Acquisition, PanLimits
from weighloop.daemon.acquisition.settings import PATIENCE
from weighloop.drivers.device import BalanceReading

MG = 1e-6
TARGET = 2.0  # mg
CALM, DRAUGHT = 60.0, 120.0  # s before the onset at least (and up to 20 s more), and after it
FOLLOWED = 2000  # readings of the calm bench that a filter followed
LEAST_STOOD = 1.5  # s that a run lets a level stand, as its check for the balance's answer does


@dataclass(frozen=True)
class Taken:
    """A reading: s since it was begun and since the onset (below 0: before), mg."""

    seconds: float
    since_onset: float
    error: float
    u: float

    @property
    def wrong(self) -> bool:
        return abs(self.error) > max(6 * self.u, 3.0)


def known(maker: str, seed: int, number: int) -> NoiseMemory:
    """What ten minutes without a draught say of the same kind of bench, and a filter that followed it."""
    calm = sitting(maker, seed + 5000, number, 600.0, np.inf)
    reading = np.round(calm.shown) * MG
    t = np.arange(len(reading)) / READINGS
    f = SettlingFilter(MG, TARGET * MG)
    for at, y in zip(t[-FOLLOWED:], reading[-FOLLOWED:], strict=True):
        f.feed(float(at), float(y))
    rests = [(t[k : k + 1000], reading[k : k + 1000], True) for k in range(0, len(t), 1000)]
    return replace(f.memory(), past=learn_past(rests, MG))


def run(maker: str, seed: int, number: int, memory: NoiseMemory | None) -> tuple[list[Taken], int]:
    """The readings of one sitting, and how many of its steps found no patience."""
    rng = np.random.default_rng([seed, 9, number])
    onset = CALM + float(rng.uniform(0, 20))
    one = sitting(maker, seed, number, onset + DRAUGHT, onset)
    shown, late = one.shown.copy(), 0
    a = Acquisition(MG, TARGET * MG, PanLimits(), memory)
    load, begun, taken = 0.0, 0.0, []
    a.begin(0.0)
    moving_until = 0.0
    for k in range(len(shown)):
        now = k / READINGS
        a.feed(BalanceReading(now, round(float(shown[k])) * MG, None, b""), now >= moving_until)
        if now < moving_until:
            continue
        if begun < moving_until:
            begun = moving_until
            a.begin(now)
        s = a.settling
        stood = s is not None and s.level_since is not None and now - max(s.level_since, begun) > LEAST_STOOD
        got = a.taken() if a.ready and stood else None
        if got is not None:
            at = min(round(got["time_s"] * READINGS), len(shown) - 1)
            error = got["value_kg"] / MG - load - float(one.drift[at])
            taken.append(Taken(now - begun, now - onset, error, got["u_kg"] / MG))
        elif now - begun < PATIENCE:
            continue
        else:
            late += 1
        change = float(rng.uniform(200, 8000)) * (1 if rng.uniform() < 0.5 else -1)
        m = min(len(one.response), len(shown) - k)
        shown[k : k + m] += change * one.response[:m]
        shown[k + m :] += change
        load += change
        moving_until = now + MOVE
    return taken, late


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--sittings", type=int, default=100)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--makers", nargs="+", choices=MAKERS, default=MAKERS)
    parser.add_argument("--past", action="store_true", help="on a bench known from before")
    parser.add_argument("--show", action="store_true", help="every wrong reading")
    options = parser.parse_args()
    print(
        f"{'':26s} {'taken':>6s} {'wrong':>5s} {'rms/u':>6s} {'>3u':>6s} {'95%':>6s} {'median':>6s} {'u':>5s}"
    )
    for maker in options.makers:
        began, taken, late = time.process_time(), [], 0
        for number in range(options.sittings):
            memory = known(maker, options.seed, number // 10) if options.past else None
            got, more = run(maker, options.seed, number, memory)
            late += more
            for t in got:
                if t.wrong and options.show:
                    print(number, t)
            taken += got
        for name, low, high in (
            ("before", -1e3, 0),
            ("0 to 10 s", 0, 10),
            ("10 to 30 s", 10, 30),
            ("later", 30, 1e3),
        ):
            group = [t for t in taken if low <= t.since_onset < high]
            if not group:
                continue
            e, u, seconds = np.array([(t.error, t.u, t.seconds) for t in group]).T
            z = np.abs(e / u)
            print(
                f"{maker + ', ' + name:26s} {len(group):6d} {sum(t.wrong for t in group):5d} "
                f"{np.sqrt(np.mean(z**2)):6.2f} {np.mean(z > 3):6.1%} {np.mean(z < 1.96):6.1%} "
                f"{np.median(seconds):6.1f} {np.median(u):5.2f}"
            )
        print(f"{maker}: {late} without patience, {time.process_time() - began:.0f} s of processor")


if __name__ == "__main__":
    main()
