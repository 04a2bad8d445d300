"""Figures of benches that nobody modelled: the third forward model's, by stratum.

    python -m tests.benchmarks.adversary --cases 200 --seed 0
    python -m tests.benchmarks.adversary --read cases.jsonl

Every case (``tests.support.models.cells``) is a bench drawn at random, its file wrong within what it states
and sometimes beside it,
written as a bench file and a notebook and read through the public door. Constants of the analysis may be
chosen on cases of even seeds only;
what is quoted are those of odd seeds (``--half``). ``--keep FILE`` writes one line of JSON a case.

*Saturates*: by the material alone, the branches of its major loop are no farther apart than 1 % of M in the
field that every cell has seen. Where such a sample gets no HcJ the bench is made better, step by step: a lift
in place of spacers, a file that says the bench as it is, nothing beside the file. The first that tells it is
what stood in the way; what no bench tells is the analysis's fault.

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
from collections import defaultdict
from collections.abc import Callable
from concurrent.futures import ProcessPoolExecutor
from pathlib import Path
from typing import Any

import numpy as np

import weighloop as wl
from tests.support.models.cells.bench import Case, draw

FIGURES = {
    "remanence_A_per_m": "Mr",
    "coercivity_HcJ_A_per_m": "HcJ",
    "coercivity_HcB_A_per_m": "HcB",
    "BHmax_J_per_m3": "(BH)max",
    "knee_field_Hk_A_per_m": "Hk",
    "recoil_permeability": "mu_rec",
    "squareness": "Mr/Ms",
    "switching_field_width": "width",
}
#: Figures that a bound from below makes sense of.
BOUNDED = ("remanence_A_per_m", "coercivity_HcJ_A_per_m", "coercivity_HcB_A_per_m", "BHmax_J_per_m3")
HCJ = "coercivity_HcJ_A_per_m"
#: The major loop's branches are no farther apart, by M, in the field that every cell has seen: the sample
#: saturates.
SATURATES = 0.01
#: Better benches, each with what those before have.
BETTER = ("lifted", "exact", "plain")
IN_THE_WAY = {
    "lifted": "taken off for spacers: a lift tells it",
    "exact": "the file's errors: on the bench as it is the same readings tell it",
    "plain": "what is beside the file: without it the readings tell it",
    "": "told on no bench: the analysis",
}


def run_case(seed: int, trials: int = 1000) -> dict[str, Any]:
    """One case, analysed: strata, truth, figures and what stood in the way."""
    case = draw(seed)
    result, seconds = _analysed(case, seed, trials)
    saturates = case.open <= SATURATES and math.isfinite(case.true[HCJ])
    return {
        "seed": seed,
        "strata": case.strata,
        "true": case.true,
        "reached": case.reached,
        "open": case.open,
        "saturates": saturates,
        "told by": _told_by(seed, trials) if saturates and not _tells(result) else None,
        "rows": case.notebook.count("\n") - 1,
        "seconds": round(seconds, 2),
        "figures": {k: v for k, v in result["figures"].items() if k in FIGURES},
        "warnings": [[w["code"], w["text"], w["rows"]] for w in result["warnings"]],
        "method": result.get("method"),
        "bench_conditioned": result.get("bench_conditioned"),
        "refused": result.get("refused"),
        "solved_to": case.solved_to,
    }


def _tells(result: dict[str, Any]) -> bool:
    """Whether HcJ is measured."""
    return result["figures"].get(HCJ, {}).get("status") == "measured"


def _told_by(seed: int, trials: int) -> str:
    """The first of the better benches (``BETTER``) on which HcJ is measured, and right; "" for none."""
    for k, name in enumerate(BETTER):
        case = draw(seed, **dict.fromkeys(BETTER[: k + 1], True))
        result, _ = _analysed(case, seed, trials)
        told = result["figures"].get(HCJ, {})
        if _tells(result) and told["low95"] <= case.true[HCJ] <= told["high95"]:
            return name
    return ""


def _analysed(case: Case, seed: int, trials: int) -> tuple[dict[str, Any], float]:
    """The public JSON of a case's files, and the processor time it took, s."""
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
        return result, time.process_time() - start


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
        told = found[HCJ]["measured"]
        say(
            f"| {stratum} | {value} | {len(members)} | {told} | {' | '.join(cells)} "
            f"| {_share(held, sure)} of {sure} | {hold}/{of} |"
        )
    able = [c for c in cases if c["saturates"]]
    told = [c for c in able if _status(c, HCJ) == "measured"]
    say(f"\nof {len(able)} that saturate HcJ is measured in {len(told)} ({_share(len(told), len(able))})")
    if len(told) < len(able):
        say("| seed | sample | why not | could the data have told |\n| --- | --- | --- | --- |")
    for c in able:
        if c not in told:
            what = ", ".join(c["strata"][k] for k in ("sample", "magnet", "material", "ladder"))
            say(f"| {c['seed']} | {what} | {_why(c)} | {IN_THE_WAY[c['told by']]} |")
    seconds = np.array([c["seconds"] for c in cases])
    say(f"processor time of an analysis: median {np.median(seconds):.1f} s, largest {seconds.max():.1f} s")


def _status(case: dict[str, Any], key: str) -> str:
    return case["figures"].get(key, {}).get("status", "refused")


def _why(case: dict[str, Any]) -> str:
    return (case["refused"] or case["figures"].get(HCJ, {}).get("why") or "not given").split(":")[0]


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
