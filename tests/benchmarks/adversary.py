"""Figures of benches that nobody modelled: the third forward model's, by stratum.

    python -m tests.benchmarks.adversary --cases 200 --seed 0
    python -m tests.benchmarks.adversary --read cases.jsonl

Every case (``tests.support.models.cells``) is a bench drawn at random, its file wrong within what it states
and sometimes beside it,
written as a bench file and a notebook and read through the public door. Constants of the analysis may be
chosen on cases of even seeds only;
what is quoted are those of odd seeds (``--half``). ``--keep FILE`` writes one line of JSON a case.

*Held*: the 95 % interval of a figure that says ``measured`` holds the truth (the material's). *Bounds*: the
truth is not below
what is printed. *u/rms*: the median stated u by the rms error, both relative to the truth. *z*: the worst
error in stated u.
"""

from __future__ import annotations

import argparse
import json
import math
import tempfile
import time
from collections import Counter, defaultdict
from collections.abc import Callable
from concurrent.futures import ProcessPoolExecutor
from pathlib import Path
from typing import Any

import numpy as np

import weighloop as wl
from tests.support.models.cells.bench import draw

FIGURES = {
    "remanence_A_per_m": "Mr",
    "coercivity_HcJ_A_per_m": "HcJ",
    "coercivity_HcB_A_per_m": "HcB",
    "BHmax_J_per_m3": "(BH)max",
    "knee_field_Hk_A_per_m": "Hk",
    "recoil_permeability": "mu_rec",
    "switching_field_width": "width",
}
#: Figures that a bound from below makes sense of.
BOUNDED = ("remanence_A_per_m", "coercivity_HcJ_A_per_m", "coercivity_HcB_A_per_m", "BHmax_J_per_m3")
#: The loop that the bench's fields go through has a coercivity within this of the material's: the sample
#: saturates.
SATURATES = 0.01


def run_case(seed: int, trials: int = 1000) -> dict[str, Any]:
    """One case, analysed: strata, truth, figures and what stood in the way."""
    case = draw(seed)
    with tempfile.TemporaryDirectory() as folder:
        notebook, bench = Path(folder) / "wp.csv", Path(folder) / "wp.toml"
        notebook.write_text(case.notebook, encoding="utf-8")
        bench.write_text(case.bench_file, encoding="utf-8")
        start = time.process_time()
        try:
            run = wl.read_notebook(notebook, bench=bench).analysed_with(trials=trials, seed=seed)
            result = run.result.to_json()
        except (wl.NotPossible, wl.InputError) as refusal:
            result = {"figures": {}, "warnings": [], "refused": str(refusal)}
        seconds = time.process_time() - start
    true_hcj, reached = (f["coercivity_HcJ_A_per_m"] for f in (case.true, case.reached))
    return {
        "seed": seed,
        "strata": case.strata,
        "true": case.true,
        "reached": case.reached,
        "saturates": bool(abs(reached / true_hcj - 1) < SATURATES),
        "rows": case.notebook.count("\n") - 1,
        "seconds": round(seconds, 2),
        "figures": {k: v for k, v in result["figures"].items() if k in FIGURES},
        "warnings": [[w["code"], w["text"], w["rows"]] for w in result["warnings"]],
        "method": result.get("method"),
        "bench_conditioned": result.get("bench_conditioned"),
        "refused": result.get("refused"),
        "solved_to": case.solved_to,
    }


def summary(cases: list[dict[str, Any]], key: str) -> dict[str, Any]:
    """Counts of one figure over some cases."""
    told = [(c, c["figures"][key]) for c in cases if key in c["figures"]]
    sure = [(f, c["true"][key]) for c, f in told if f["status"] == "measured"]
    bound = [(f, c["true"][key]) for c, f in told if f["status"] == "bound"]
    held = [f["low95"] <= true <= f["high95"] for f, true in sure]
    error = np.array([(f["value"] - true) / abs(true) for f, true in sure])
    u = np.array([f["u"] / abs(true) for f, true in sure])
    return {
        "cases": len(cases),
        "measured": len(sure),
        "held": sum(held),
        "bias": float(np.mean(error / u)) if len(u) else math.nan,
        "rms": float(np.sqrt(np.mean(error**2))) if len(u) else math.nan,
        "u": float(np.median(u)) if len(u) else math.nan,
        "z": float(np.max(np.abs(error / u))) if len(u) else math.nan,
        "bounds": len(bound),
        "bounds held": sum(true >= f["value"] for f, true in bound) if key in BOUNDED else 0,
    }


def _share(part: int, whole: int) -> str:
    return f"{100 * part / whole:.0f} %" if whole else "-"


def _line(name: str, found: dict[str, Any], bounded: bool = True) -> str:
    text = f"| {name} | {found['cases']} | {found['measured']} | {_share(found['held'], found['measured'])} "
    if found["measured"]:
        ratio = found["u"] / found["rms"]
        text += f"| {100 * found['rms']:.2f} | {ratio:.2f} | {found['bias']:+.2f} | {found['z']:.1f} "
    else:
        text += "| - | - | - | - "
    return text + (
        f"| {found['bounds held']} of {found['bounds']} |" if bounded and found["bounds"] else "| - |"
    )


def print_tables(cases: list[dict[str, Any]], say: Callable[[str], None] = print) -> None:
    """The tables of the accuracy page."""
    head = "cases | measured | held | rms error % | median u / rms | mean z | worst z | bounds hold |"
    say(f"| figure | {head}\n" + "| --- " * 9 + "|")
    for key, name in FIGURES.items():
        say(_line(name, summary(cases, key), key in BOUNDED))
    groups: dict[tuple[str, str], list[dict[str, Any]]] = defaultdict(list)
    for case in cases:
        for stratum, value in case["strata"].items():
            groups[stratum, value].append(case)
    short = list(FIGURES.values())
    say(
        f"\n| stratum | | cases | HcJ told | {' | '.join(short)} | all | bounds |\n"
        + "| --- " * (6 + len(short))
        + "|"
    )
    for (stratum, value), members in sorted(groups.items()):
        found = {key: summary(members, key) for key in FIGURES}
        cells = [f"{f['held']}/{f['measured']}" for f in found.values()]
        sure, held = sum(f["measured"] for f in found.values()), sum(f["held"] for f in found.values())
        bounds = [found[key] for key in BOUNDED]
        hold, of = sum(f["bounds held"] for f in bounds), sum(f["bounds"] for f in bounds)
        told = found["coercivity_HcJ_A_per_m"]["measured"]
        say(
            f"| {stratum} | {value} | {len(members)} | {told} | {' | '.join(cells)} "
            f"| {_share(held, sure)} of {sure} | {hold}/{of} |"
        )
    able = [c for c in cases if c["saturates"]]
    told = [c for c in able if _status(c, "coercivity_HcJ_A_per_m") == "measured"]
    say(f"\nof {len(able)} that saturate HcJ is measured in {len(told)} ({_share(len(told), len(able))})")
    say(
        "why not: "
        + "; ".join(
            f"{n} x {why}" for why, n in Counter(map(_why, (c for c in able if c not in told))).most_common()
        )
    )
    seconds = np.array([c["seconds"] for c in cases])
    say(f"processor time of an analysis: median {np.median(seconds):.1f} s, largest {seconds.max():.1f} s")


def _status(case: dict[str, Any], key: str) -> str:
    return case["figures"].get(key, {}).get("status", "refused")


def _why(case: dict[str, Any]) -> str:
    why = case["refused"] or case["figures"].get("coercivity_HcJ_A_per_m", {}).get("why") or "not given"
    return "".join(ch for ch in why if not ch.isdigit())[:90]


def main() -> None:
    """Draw, analyse, print."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])  # type: ignore[union-attr]
    parser.add_argument("--cases", type=int, default=40)
    parser.add_argument("--seed", type=int, default=0, help="the first case's")
    parser.add_argument("--half", choices=["even", "odd", "both"], default="both", help="which seeds")
    parser.add_argument("--trials", type=int, default=1000)
    parser.add_argument("--processes", type=int, default=1)
    parser.add_argument("--keep", type=Path, help="write each case as a line of JSON")
    parser.add_argument("--read", type=Path, help="print the tables of a kept file")
    given = parser.parse_args()
    if given.read:
        cases = [json.loads(line) for line in given.read.read_text(encoding="utf-8").splitlines()]
        wanted = {"even": (0,), "odd": (1,), "both": (0, 1)}[given.half]
        print_tables([c for c in cases if c["seed"] % 2 in wanted])
        return
    step = 1 if given.half == "both" else 2
    first = given.seed if given.half == "both" else given.seed + (given.seed % 2 != (given.half == "odd"))
    seeds = range(first, first + step * given.cases, step)
    cases = []
    with ProcessPoolExecutor(given.processes) as pool:
        for case in pool.map(run_case, seeds, [given.trials] * len(seeds)):
            cases.append(case)
            if given.keep:
                with given.keep.open("a", encoding="utf-8") as out:
                    out.write(json.dumps(case) + "\n")
    print_tables(cases)


if __name__ == "__main__":
    main()
