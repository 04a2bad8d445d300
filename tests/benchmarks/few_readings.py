"""As few readings as the answer needs, beside the plain ladder of 22 gaps.

    python -m tests.benchmarks.few_readings --samples 60
    python -m tests.benchmarks.few_readings --samples 60 --calibrated --twin

Every sample is drawn (soft to hard, steep and broad, saturating and not) and weighed by the tests' second
forward model (``models.forward``, every part with its memory), or by the twin's physics, once a plan; the
bench is drawn from what its file states. Readings of the ladder are as good as today's (1.5 mg), those of the
sparse plan only as good as their targets. In the table, of the samples of which every plan measures the
figure: rms error and median u in per cent of the truth, and how often the interval held; besides how many
measured it, and bounds that hold. Below it the rms errors by the ladder's, each with its standard error by
leaving out one sample at a time.
"""

from __future__ import annotations

import argparse
import time

import numpy as np

from tests.support.models.cells.truth import figures as true_figures
from tests.support.models.forward import MU0, Magnet, Pellet, solve_local
from tests.support.models.loops import PER_KG, readings_of
from tests.support.models.preisach_medium import Material
from weighloop.analysis.planning.fewest_readings import fewest_readings
from weighloop.analysis.planning.gap_ladder import plan
from weighloop.analysis.planning.passages import TURNS_OVER, LadderStep
from weighloop.analysis.planning.replanning import Taken, replanned
from weighloop.analysis.records.arrays import Floats
from weighloop.analysis.records.bench import Balance, Bench, Gap, ReferenceMagnet, Sample
from weighloop.analysis.records.readings import Readings
from weighloop.analysis.results import analyse
from weighloop.analysis.units import Measured
from weighloop.drivers.twin.field import Magnet as TwinMagnet
from weighloop.drivers.twin.sample import AWAY, SampleMaterial, TwinSample
from weighloop.drivers.twin.true_figures import descending

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


LADDER, SPARSE, DECIDED = "22 gaps", "as few as needed", "decided while it runs"


class Weighing:
    """One sample on one bench, and what it weighs step by step. Noise goes with a reading's number."""

    def __init__(self, number: int, calibrated: bool) -> None:
        rng = np.random.default_rng([23, number])
        self.material = drawn_sample(rng)
        self.magnet, self.pellet, self.contact, self.bench = drawn_bench(rng, calibrated)
        self.noise = np.random.default_rng([24, number]).standard_normal((2, 500))
        self.nodes = self.pellet.nodes()
        tensor, weight = self.pellet.layered_tensor()
        self.factor = float(weight @ tensor.sum(axis=1))
        self.begin()

    def major_descending(self, H: Floats) -> Floats:
        """The material's M (A/m) on its major loop."""
        return self.material.major_descending(H)

    def begin(self) -> None:
        """The sample as it was before, magnetised downward."""
        self.memory, self.readings = self.material.memory(self.nodes[0].size, "down"), list[float]()

    def weigh(self, step: LadderStep, u: float) -> None:
        """The next reading, kg, with noise ``u``; every part of the sample feels its own magnetisation."""
        gap_noise, noise = self.noise[:, len(self.readings)]
        attraction = self.attraction(step.gap + self.contact + GAP_NOISE * gap_noise, step.orientation)
        self.readings.append(round(-attraction / PER_KG + u * noise, 6))

    def attraction(self, gap: float, orientation: int) -> float:
        """The pull (N) at a true gap, after all those before."""
        x, y, z, weight = self.nodes
        Bz, slope = self.magnet.field(x, y, z + gap)
        H = solve_local(self.memory, orientation * Bz / MU0, self.factor)
        M = self.memory.magnetisation(H)
        self.memory.go(H)
        return -orientation * self.pellet.volume * float((weight * slope) @ M)

    def weighed(self, name: str) -> Readings:
        """The readings of a plan."""
        self.begin()
        if name == LADDER:
            steps = plan(self.bench, 22, zeros="hand").steps
        else:
            steps = fewest_readings(self.bench, zeros="hand").ladder.steps
        points, taken, u = sum(step.leg == TURNS_OVER for step in steps), list[Taken](), list[float]()
        for done in range(500):
            if done >= len(steps):
                break
            step = steps[done]
            u.append(NOISE if name == LADDER else max(NOISE, step.target_u))
            self.weigh(step, u[-1])
            taken.append(Taken(step.leg, step.height, step.orientation, self.readings[-1]))
            if name == DECIDED and done + 1 < len(steps):
                # The next one is under way already while it is decided.
                leg, height = steps[done + 1].leg, steps[done + 1].height
                again = replanned(self.bench, points, taken, leg, height, "hand")
                steps = steps if again is None else (*steps[: done + 1], *again.steps)
        gap, orientation = np.array([s.gap for s in steps]), np.array([s.orientation for s in steps])
        return readings_of(gap, orientation, np.array(self.readings), u_reading=np.array(u))


class TwinWeighing(Weighing):
    """The same on the bench twin's physics: hysterons in fields of their neighbours, in rings that feel one
    another."""

    def __init__(self, number: int, calibrated: bool) -> None:
        rng = np.random.default_rng([25, number])
        coercivity = float(np.exp(rng.uniform(np.log(30e3), np.log(120e3))))
        self.of_twin = SampleMaterial(
            saturation=rng.uniform(120e3, 330e3),
            coercivity=coercivity,
            spread=rng.uniform(0.05, 0.25),
            interaction=coercivity * rng.uniform(0.03, 0.1),
            reversible=rng.uniform(0.02, 0.08),
            reversible_field=150e3,
        )
        super().__init__(number, calibrated)

    def major_descending(self, H: Floats) -> Floats:
        return descending(self.of_twin, 3e6)(H)

    def begin(self) -> None:
        magnet = TwinMagnet("cylinder", (self.magnet.diameter,), self.magnet.height, self.magnet.remanence)
        self.sample = TwinSample(self.of_twin, magnet, self.pellet.diameter, self.pellet.height, 0.1e-3)
        self.sample.travel(0.5e-3, -1.0)
        self.sample.travel(AWAY, -1.0)
        self.readings = list[float]()

    def attraction(self, gap: float, orientation: int) -> float:
        if orientation != self.sample.orientation:
            self.sample.travel(AWAY, orientation)
        self.sample.follow(gap, orientation)
        return self.sample.attraction


def run(samples: int, seed: int, calibrated: bool, trials: int, twin: bool = False) -> dict[str, list[dict]]:
    """By plan: what each sample's analysis says, and how many readings it took."""
    found: dict[str, list[dict]] = {name: [] for name in (LADDER, SPARSE, DECIDED)}
    for number in range(seed, seed + samples):
        weighing = (TwinWeighing if twin else Weighing)(number, calibrated)
        H = np.linspace(500e3, -500e3, 8001)
        truth = true_figures(H, weighing.major_descending(H))
        for name in found:
            table = weighing.weighed(name)
            result = analyse(table, weighing.bench, trials=trials, seed=number)
            found[name].append({"readings": len(table), "truth": truth, "figures": result.figures})
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
    for name in (SPARSE, DECIDED):
        told = ", ".join(f"{symbol} {by_ladder(found, name, key)}" for key, symbol in FIGURES.items())
        print(f"{name}, rms error by the ladder's: {told}", flush=True)


def by_ladder(found: dict[str, list[dict]], name: str, key: str) -> str:
    """A plan's rms error of a figure by the ladder's, with its standard error (jackknife)."""
    pairs = [
        [plan["figures"][key].value / plan["truth"][key] - 1 for plan in (one, other)]
        for one, other in zip(found[LADDER], found[name], strict=True)
        if all(plan["figures"][key].status == "measured" for plan in (one, other))
    ]
    n = len(pairs)
    if n < 3:
        return "of too few"
    square = np.array(pairs) ** 2
    without = square.sum(axis=0) - square
    ratios = np.sqrt(without[:, 1] / without[:, 0])
    u = np.sqrt((n - 1) * np.var(ratios))
    return f"{np.sqrt(square[:, 1].sum() / square[:, 0].sum()):.2f} ± {u:.2f} of {n}"


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0] if __doc__ else None)
    parser.add_argument("--samples", type=int, default=60)
    parser.add_argument("--seed", type=int, default=0)
    parser.add_argument("--trials", type=int, default=300)
    parser.add_argument(
        "--calibrated", action="store_true", help="remanence to 0.4 %% and contact to 0.02 mm"
    )
    parser.add_argument("--twin", action="store_true", help="weighed by the bench twin's physics")
    asked = parser.parse_args()
    start = time.process_time()
    tell(run(asked.samples, asked.seed, asked.calibrated, asked.trials, asked.twin))
    print(f"{asked.samples} samples, {time.process_time() - start:.0f} s of processor time")


if __name__ == "__main__":
    main()
