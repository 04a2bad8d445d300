"""As few readings as the answer needs, beside the plain ladder of 22 gaps.

    python -m tests.benchmarks.few_readings --samples 60
    python -m tests.benchmarks.few_readings --samples 60 --calibrated

Every sample is drawn (soft to hard, steep and broad, saturating and not) and weighed by the tests' second
forward model (``models.forward``, every part with its memory), once a plan; the bench is drawn from what its
file states. Readings of the ladder are as good as today's (1.5 mg), those of the sparse plan only as good as
their targets. In the table, of the samples of which every plan measures the figure: rms error and median u in
per cent of the truth, and how often the interval held; besides how many measured it, and bounds that hold.
"""

from __future__ import annotations

import argparse
import time
from collections.abc import Callable

import numpy as np

from tests.support.models.cells.truth import figures as true_figures
from tests.support.models.forward import Magnet, Pellet, weigh
from tests.support.models.loops import PER_KG, readings_of
from tests.support.models.preisach_medium import Material
from weighloop.analysis.planning.fewest_readings import fewest_readings
from weighloop.analysis.planning.gap_ladder import LadderPlan, plan
from weighloop.analysis.records.bench import Balance, Bench, Gap, ReferenceMagnet, Sample
from weighloop.analysis.results import analyse
from weighloop.analysis.units import Measured

FIGURES = {
    "remanence_A_per_m": "Mr",
    "coercivity_HcJ_A_per_m": "HcJ",
    "coercivity_HcB_A_per_m": "HcB",
    "BHmax_J_per_m3": "(BH)max",
}
#: Noise of a reading, kg, and of a gap set again, m.
NOISE, GAP_NOISE = 1.5e-6, 2e-6


def drawn_sample(rng: np.random.Generator) -> Material:
    """Soft to hard, steep and broad; the hardest do not saturate."""
    coercivity = float(np.exp(rng.uniform(np.log(30e3), np.log(120e3))))
    return Material(
        saturation=rng.uniform(120e3, 330e3),
        coercivity=coercivity,
        width=coercivity * rng.uniform(0.05, 0.2),
        second=float(rng.choice([0.0, 0.2])),
        reversible=rng.uniform(3e3, 15e3),
    )


def drawn_bench(rng: np.random.Generator, calibrated: bool) -> tuple[Magnet, Pellet, float, Bench]:
    """Magnet and sample as they are, how far off the contact gap is (m), and the file."""
    u_remanence, u_contact = (0.005, 0.02e-3) if calibrated else (0.02, 0.05e-3)
    z = rng.standard_normal(4)
    magnet = Magnet(remanence=1.32 + u_remanence * z[0])
    pellet = Pellet(diameter=6e-3 + 1e-5 * z[1], height=3e-3 + 1e-5 * z[2], rings=5, layers=12)
    bench = Bench(
        ReferenceMagnet(
            "cylinder",
            Measured(10e-3, 2e-5),
            Measured(1.32, u_remanence),
            diameter=Measured(20e-3, 2e-5),
            pan_load=Measured(0.15),
        ),
        Sample("WP-07-1", "cylinder", Measured(3e-3, 1e-5), Measured(6e-3, 1e-5)),
        Gap(Measured(1e-3, u_contact)),
        Balance(1e-6, 0.22),
    )
    return magnet, pellet, u_contact * z[3], bench


#: How a plan is made on a bench.
PLANS: dict[str, Callable[[Bench], LadderPlan]] = {
    "22 gaps": lambda bench: plan(bench, 22, zeros="hand"),
    "as few as needed": lambda bench: fewest_readings(bench, zeros="hand").ladder,
}


def run(samples: int, seed: int, calibrated: bool, trials: int) -> dict[str, list[dict]]:
    """By plan: what each sample's analysis says, and how many readings it took."""
    found: dict[str, list[dict]] = {name: [] for name in PLANS}
    for number in range(seed, seed + samples):
        rng = np.random.default_rng([23, number])
        material = drawn_sample(rng)
        magnet, pellet, contact, bench = drawn_bench(rng, calibrated)
        H = np.linspace(500e3, -500e3, 8001)
        truth = true_figures(H, material.major_descending(H))
        for name, make in PLANS.items():
            steps = make(bench).steps
            gap = np.array([step.gap for step in steps])
            orientation = np.array([step.orientation for step in steps])
            u = np.array([max(NOISE, step.target_u) for step in steps]) if name != "22 gaps" else NOISE
            noise = np.random.default_rng([24, number]).standard_normal((2, len(steps)))
            path = gap + contact + GAP_NOISE * noise[0], orientation, np.array([step.leg for step in steps])
            weighed = weigh(magnet, pellet, material, gap, start="down", demagnetising="local", path=path)
            reading = np.round(-weighed.force / PER_KG + u * noise[1], 6)
            table = readings_of(gap, orientation, reading, u_reading=np.broadcast_to(u, len(steps)))
            result = analyse(table, bench, trials=trials, seed=number)
            found[name].append({"readings": len(steps), "truth": truth, "figures": result.figures})
        if (number - seed) % 10 == 9:
            tell(found)
    return found


def tell(found: dict[str, list[dict]]) -> None:
    """Print the table as it is."""
    columns = " | ".join(f"{name} rms % / u % / held | measured, bounds" for name in FIGURES.values())
    print(f"\n| plan | readings | {columns} |\n" + "| --- " * (2 + 2 * len(FIGURES)) + "|")
    for name, cases in found.items():
        cells = [name, f"{np.median([case['readings'] for case in cases]):.0f}"]
        for key in FIGURES:
            told = [case["figures"][key] for case in cases]
            all_measure = [
                i
                for i in range(len(cases))
                if all(plan[i]["figures"][key].status == "measured" for plan in found.values())
            ]
            true = np.array([cases[i]["truth"][key] for i in all_measure])
            value, u = np.array([[told[i].value, told[i].u] for i in all_measure]).reshape(-1, 2).T
            held = sum(told[i].low95 <= cases[i]["truth"][key] <= told[i].high95 for i in all_measure)
            rms = 100 * np.sqrt(np.mean((value / true - 1) ** 2)) if len(true) else np.nan
            median = 100 * np.median(u / true) if len(true) else np.nan
            bounds = [
                (f, case["truth"][key]) for f, case in zip(told, cases, strict=True) if f.status == "bound"
            ]
            good = sum(f.value <= truth for f, truth in bounds)
            cells.append(f"{rms:.2f} / {median:.2f} / {held} of {len(true)}")
            cells.append(f"{sum(f.status == 'measured' for f in told)}, {good} of {len(bounds)}")
        print(f"| {' | '.join(cells)} |", flush=True)


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0] if __doc__ else None)
    parser.add_argument("--samples", type=int, default=60)
    parser.add_argument("--seed", type=int, default=0)
    parser.add_argument("--trials", type=int, default=300)
    parser.add_argument(
        "--calibrated", action="store_true", help="remanence to 0.4 %% and contact to 0.02 mm"
    )
    asked = parser.parse_args()
    start = time.process_time()
    tell(run(asked.samples, asked.seed, asked.calibrated, asked.trials))
    print(f"{asked.samples} samples, {time.process_time() - start:.0f} s of processor time")


if __name__ == "__main__":
    main()
