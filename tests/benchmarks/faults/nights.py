"""Nights on the twin with everything going wrong that may: how many loops, whose hands, which readings?

    python -m tests.benchmarks.faults.nights [--hours 72] [--seed 1] [--figures 60] [--keep FOLDER]

The twin's physics, lift, turner and balance, the real controller, procedure and store, on one clock turned by
hand. Faults come at random, every few minutes, and the power is cut every two hours. What must hold: nobody
is asked for anything; no reading that was committed is missing or changed; none that is in use was taken
elsewhere than its step says, or shows another load than there was. Every figure of N of the loops, each
with a bench file of its own drawn about the truth, is scored against the twin's truth.
"""

from __future__ import annotations

import argparse
import random
import signal
import sys
import tempfile
import time
from collections import Counter
from pathlib import Path
from typing import Any

from tests.support.bench.twin_night import TwinNight
from weighloop.daemon.store.store import Store

EVERY, CUT_EVERY = 500.0, 7200.0
FIGURES = ("remanence_A_per_m", "coercivity_HcJ_A_per_m", "coercivity_HcB_A_per_m", "BHmax_J_per_m3")
#: A reading is wrong beyond this many of its u and mg, and where the stage stood this far off, m.
MOST_U, MOST_KG, MOST_OFF = 6.0, 3e-6, 20e-6


class Nights:
    """One bench over many hours."""

    def __init__(self, folder: Path, seed: int, points: int) -> None:
        self.night = TwinNight(folder / "store.sqlite", seed)
        self.random = random.Random(seed)
        self.points, self.faults = points, Counter[str]()
        self.holds = Counter[str]()
        self._held = ""
        self.ending = False
        signal.signal(signal.SIGTERM, self._end)  # what there is by then is judged

    def _end(self, *_: object) -> None:
        self.ending = True

    def go(self, hours: float) -> None:
        night, until = self.night, self.night.twin.now + hours * 3600
        fault, cut, told = night.twin.now + EVERY, night.twin.now + CUT_EVERY, 0.0
        while night.twin.now < until and not self.ending:
            if len(night.controller.queue.waiting) < 2:
                night.plan(self.points, 20)
            self.run_on(20)
            if night.twin.now >= cut:
                cut += CUT_EVERY
                self.faults["power cut"] += 1
                night.power_cut(self.random.uniform(10, 120))
            elif night.twin.now >= fault:
                fault += self.random.expovariate(1 / EVERY)
                self.one()
                night.fault = ""
            if night.twin.now - told > 7200:
                told = night.twin.now
                run = night.run.id if night.run is not None else 0
                print(f"# {told / 3600:.0f} h, run {run}, {time.process_time():.0f} s", file=sys.stderr)

    def run_on(self, seconds: float) -> None:
        self.night.advance(seconds)
        run = self.night.run
        held = f"{run.code}" if run is not None and run.state == "held" else ""
        if held and held != self._held:
            self.holds[held] += 1
        self._held = held

    def one(self) -> None:
        """One fault at this moment."""
        night, chance = self.night, self.random
        kind = chance.choice(
            (
                *("draught", "knock", "steps", "silence", "garbage", "half-lines", "balance plug"),
                *("lift plug", "lift reset", "lost steps", "turner slips", "lift garbage"),
            )
        )
        self.faults[kind] += 1
        lever, night.fault = night.twin.begin, kind
        match kind:
            case "draught":
                usual = night.twin.scenario.levels.draught
                lever({"do": "draught", "level": chance.uniform(0.002, 0.005)})
                self.run_on(chance.uniform(60, 400))
                lever({"do": "draught", "level": usual})
            case "knock":
                lever({"do": "bump", "grams": chance.uniform(0.5, 20)})
            case "steps":
                for _ in range(chance.randrange(4, 12)):
                    lever({"do": "bump", "grams": chance.uniform(0.02, 0.2)})
                    self.run_on(0.6)
            case "silence" | "garbage" | "half-lines":
                lever({"do": kind, "seconds": chance.uniform(1, 40)})
            case "lift garbage":
                lever({"do": "garbage", "seconds": chance.uniform(0.5, 4), "port": "lift"})
            case "balance plug":
                night.balance_in = False
                self.run_on(chance.uniform(10, 120))
                night.balance_in = True
            case "lift plug":
                night.unplug_lift()
                self.run_on(chance.uniform(10, 120))
                night.plug_lift()
            case "lift reset":
                lever({"do": "lift-reset"})
            case "lost steps":
                lever({"do": "lose-steps", "n": chance.choice((-64, 64))})
            case "turner slips":
                lever({"do": "turner-lose", "n": 64})

    # -- what came of it -----------------------------------------------------------------------

    def judged(self) -> dict[str, Any]:
        """Counts over the whole store, against what was told and what was so."""
        night = self.night
        kept: dict[int, Any] = {}
        states = Counter[str]()
        why = Counter[str]()
        wrong: list[str] = []
        for line in night.store.runs():
            run = night.store.record(line["id"])
            states[run.state] += 1
            for point in run.points:
                kept[point["id"]] = point
                if point["set_aside"] is not None:
                    why[point["set_aside"].split(":")[0]] += 1
                elif run.state == "finished" and (fault := self._fault(point)):
                    wrong.append(f"run {run.id}, reading {point['id']}: {fault}")
        lost = [n for n, p in night.told.items() if n not in kept or kept[n]["value_kg"] != p["value_kg"]]
        return {
            "hours": night.twin.now / 3600,
            "runs": dict(states),
            "readings": len(night.told),
            "set aside": dict(why),
            "faults": dict(self.faults),
            "holds": dict(self.holds),
            "hands": len(night.asked),
            "lost": len(lost),
            "wrong": wrong,
            "store": night.store.verify(),
        }

    def _fault(self, point: Any) -> str:
        truth = self.night.truths[point["id"]]
        if abs(truth.height - point["height_m"]) > MOST_OFF:
            return f"at {truth.height * 1e3:.3f} mm for {point['height_m'] * 1e3:.3f} mm"
        if abs(truth.aspect - point["orientation"]) > 0.01:
            return f"turned to {truth.aspect:.2f} for {point['orientation']:+d}"
        during = f" ({truth.during})" if truth.during else ""
        off = point["value_kg"] - truth.value
        if abs(off) > max(MOST_U * point["u_kg"], MOST_KG):
            return f"{off * 1e6:+.2f} mg off, u {point['u_kg'] * 1e6:.2g} mg{during}"
        return ""


def scored(store: Path, night: TwinNight, most: int) -> dict[str, list[tuple[float, float, bool]]]:
    """z, u as a share and whether the interval holds the truth, by figure, over ``most`` of the loops."""
    from weighloop.analysis.files.bench_file import parse_bench
    from weighloop.analysis.results import analyse
    from weighloop.daemon.store.readings_table import readings_of

    truth = night.twin.truth["minor"]
    found: dict[str, list[tuple[float, float, bool]]] = {key: [] for key in FIGURES}
    with Store(store, read_only=True) as opened:
        ids = [line["id"] for line in opened.runs() if line["state"] == "finished"]
        step = max(1, len(ids) // most) if most else len(ids) + 1
        for number in ids[::step][:most]:
            run = opened.run(number)
            bench = parse_bench(night.twin.stated(1000 + number)["text"])
            readings = readings_of(run).moved(parse_bench(run["bench_text"]).gap, bench.gap)
            result = analyse(readings, bench, trials=2000)
            for key in FIGURES:
                figure = result.figures[key]
                if figure.status == "measured" and figure.u and figure.low95 is not None:
                    z = (figure.value - truth[key]) / figure.u
                    inside = figure.low95 <= truth[key] <= (figure.high95 or 0.0)
                    found[key].append((z, figure.u / truth[key], inside))
            print(
                f"# run {number}: {[f'{found[k][-1][0]:+.1f}' for k in FIGURES if found[k]]}", file=sys.stderr
            )
    return found


def main() -> int:
    """Run it and print the table; 1 where a hand was asked for, or a reading is lost or wrong."""
    parser = argparse.ArgumentParser(description=(__doc__ or "").split("\n")[0])
    parser.add_argument("--hours", type=float, default=72.0)
    parser.add_argument("--points", type=int, default=14)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--figures", type=int, default=60, help="loops whose figures are scored")
    parser.add_argument("--keep", type=Path, help="a folder for the store")
    options = parser.parse_args()
    with tempfile.TemporaryDirectory(prefix="weighloop-nights-") as folder:
        place = options.keep or Path(folder)
        nights = Nights(place, options.seed, options.points)
        nights.go(options.hours)
        judged = nights.judged()
        for key, value in judged.items():
            print(f"{key}: {value}")
        print(f"processor: {time.process_time():.0f} s", flush=True)
        for key, rows in scored(place / "store.sqlite", nights.night, options.figures).items():
            if rows:
                n = len(rows)
                rms = (sum(z * z for z, _, _ in rows) / n) ** 0.5
                mean = sum(z for z, _, _ in rows) / n
                held, u = sum(inside for *_, inside in rows), sum(share for _, share, _ in rows) / n
                most = max(abs(z) for z, _, _ in rows)
                print(
                    f"{key}: {n} figures, z mean {mean:+.2f} rms {rms:.2f} largest {most:.1f}, "
                    f"95 % holds {held} of {n}, u {u:.2%}"
                )
        print(f"processor: {time.process_time():.0f} s", flush=True)
    return int(bool(judged["hands"] or judged["lost"] or judged["wrong"] or judged["store"]))


if __name__ == "__main__":
    sys.exit(main())
