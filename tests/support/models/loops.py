"""Whole runs for tests, quickly: a sample whose branches are closed formulas, weighed on a chosen bench.

The field is the second bench's (``forward``: current loops), not the analysis's. Every part of the
sample follows J = tanh on its own internal field h = H_applied - N M, so the branch is one function of
the applied field and the force an integral over the sample; figures are known by root search.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import lru_cache

import numpy as np
from scipy.optimize import brentq, minimize_scalar

from tests.support.models import forward
from weighloop.analysis.records.bench import Balance, Bench, Gap, ReferenceMagnet, Sample, Site
from weighloop.analysis.records.readings import Readings
from weighloop.analysis.units import Measured

MU0 = forward.MU0
#: Normal gravity at 53.4 degrees and 60 m, m/s^2, by the WGS 84 formula (NGA.STND.0036), and the force on
#: a balance for each kg it shows: adjusted with weights of 8000 kg/m^3 in air of 1.2 kg/m^3 (OIML D 28).
GRAVITY = (
    9.7803253359
    * (1 + 0.00193185265241 * np.sin(np.deg2rad(53.4)) ** 2)
    / np.sqrt(1 - 0.00669437999013 * np.sin(np.deg2rad(53.4)) ** 2)
    - 3.086e-6 * 60.0
)
PER_KG = GRAVITY * (1 - 1.2 / 8000)


def reclaimed_bench(**changes: object) -> Bench:
    """The co-operative's bench: disc WP-07-3 over a 20 x 10 mm reference magnet, gaps from 1 mm.

    The magnet is known to be even and the lift's scale to be right, as they are in these models.
    """
    bench = Bench(
        ReferenceMagnet(
            "cylinder",
            Measured(10e-3),
            Measured(1.32, 0.02),
            diameter=Measured(20e-3),
            core_excess=Measured(0.0),
        ),
        Sample(
            "WP-07-3",
            "cylinder",
            Measured(3e-3, 2e-5),
            diameter=Measured(6e-3, 2e-5),
            mass=Measured(412e-6, 1e-6),
        ),
        Gap(Measured(1e-3, 5e-5), spacer=Measured(1e-3, 2e-5), spacers=30, scale=Measured(1.0)),
        Balance(1e-6, 0.22),
        Site(Measured(np.deg2rad(53.4), 1e-3), Measured(60.0, 50.0), Measured(293.15, 1.0)),
    )
    return replace(bench, **changes)  # type: ignore[arg-type]


@dataclass(frozen=True)
class TanhLoop:
    """M on the descending branch = saturation * tanh((h + coercivity) / width), in A/m."""

    saturation: float = 300e3
    coercivity: float = 40e3
    width: float = 8e3

    def descending(self, h: np.ndarray) -> np.ndarray:
        return self.saturation * np.tanh((h + self.coercivity) / self.width)

    def figures(self) -> dict[str, float]:
        """The material's figures, in closed form or by root search and one-dimensional maximum.

        The branches are the same curve, ``coercivity`` to either side, so that they enclose
        2 saturation times 2 coercivity.
        """
        f = lambda h: float(self.descending(np.array(h)))  # noqa: E731
        falls_to = lambda part: self.coercivity - self.width * np.arctanh(part * f(0.0) / self.saturation)  # noqa: E731
        HcB = -brentq(lambda h: h + f(h), -self.coercivity, 0.0)
        top = minimize_scalar(
            lambda h: h * (h + f(h)), bounds=(-HcB, 0.0), method="bounded", options={"xatol": 1e-3}
        )
        return {
            "remanence_A_per_m": f(0.0),
            "coercivity_HcJ_A_per_m": self.coercivity,
            "coercivity_HcB_A_per_m": HcB,
            "BHmax_J_per_m3": -MU0 * float(top.fun),
            "squareness": f(0.0) / self.saturation,
            "loop_energy_J_per_m3": 4 * MU0 * self.saturation * self.coercivity,
            "knee_field_Hk_A_per_m": falls_to(0.9),
            "knee_squareness": falls_to(0.9) / self.coercivity,
            "recoil_permeability": 1 + (f(0.0) - f(-self.coercivity / 4)) / (self.coercivity / 4),
            "switching_field_width": (falls_to(-0.5) - falls_to(0.5)) / self.coercivity,
        }


@dataclass(frozen=True)
class True_:
    """What the bench really is, where that differs from its file: lengths in m, remanence in T; ``own_field``
    is that of the sample by what its shape makes."""

    remanence: float = 1.32
    contact_error: float = 0.0
    diameter: float = 6e-3
    height: float = 3e-3
    per_kg: float = PER_KG
    own_field: float = 1.0
    #: By which part of its mean M is larger at the face that is up at orientation +1, and less at the other.
    grading: float = 0.0


@lru_cache(maxsize=8)
def _factor(diameter: float, height: float) -> float:
    tensor, weight = forward.Pellet("cylinder", diameter, height, rings=7, layers=12).layered_tensor()
    return float(weight @ tensor.sum(axis=1))


def weighed(
    material: TanhLoop,
    gaps: np.ndarray,
    *,
    truth: True_ | None = None,
    gap_errors: np.ndarray | float = 0.0,
) -> tuple[np.ndarray, np.ndarray, np.ndarray, np.ndarray]:
    """(gap noted, orientation, leg, change of reading in kg) of a five-leg loop, free of noise."""
    gap, orientation, leg = forward.loop_gaps(np.asarray(gaps, float))
    assert len(np.flatnonzero(np.diff(leg, prepend=0) != 0)) == 4
    falling = np.isin(leg, (1, 2))
    change = changes(material, gap, orientation, falling, truth=truth, gap_errors=gap_errors)
    return gap, orientation, leg, change


def changes(
    material: TanhLoop,
    gap: np.ndarray,
    orientation: np.ndarray,
    falling: np.ndarray,
    *,
    truth: True_ | None = None,
    gap_errors: np.ndarray | float = 0.0,
) -> np.ndarray:
    """Changes of reading (n,), kg, free of noise, of a sample on its descending branch where ``falling`` and
    on the ascending one elsewhere. (The first curve joins that: it was magnetised the other way before.)
    """
    truth = truth or True_()
    pellet = forward.Pellet("cylinder", truth.diameter, truth.height, rings=8, layers=10)
    x, y, z, weight = pellet.nodes()
    at, each = np.unique(gap + truth.contact_error + gap_errors, return_inverse=True)
    field = forward.Magnet(remanence=truth.remanence).field(x[None, :], y[None, :], z[None, :] + at[:, None])
    bz, gradient = (of_gap[each] for of_gap in field)
    # The factor at the nominal size: sizes differ by parts in a thousand, which moves it by less.
    N = truth.own_field * _factor(round(truth.diameter, 5), round(truth.height, 5))
    h = np.linspace(-600e3, 600e3, 24001)
    down = material.descending(h)
    H = orientation[:, None] * bz / MU0
    M = np.where(falling[:, None], np.interp(H, h + N * down, down), -np.interp(-H, h + N * down, down))
    M = M * (1 + truth.grading * orientation[:, None] * (2 * z / truth.height - 1))
    force = -orientation * pellet.volume * ((gradient * M) @ weight)
    return -force / truth.per_kg


def readings_of(
    gap: np.ndarray, orientation: np.ndarray, reading: np.ndarray, u: float = np.nan, **columns: object
) -> Readings:
    """A table of readings from its columns; what is not given is NaN or empty."""
    n = len(gap)
    nan = np.full(n, np.nan)
    table: dict[str, object] = {
        "row": np.arange(1, n + 1),
        "gap": np.asarray(gap, float),
        "spacers": nan,
        "orientation": np.asarray(orientation, np.int64),
        "reading": np.asarray(reading, float),
        "zero_before": nan,
        "zero_after": nan,
        "u_reading": np.full(n, u),
        "temperature": nan,
        "time": nan,
        "note": ("",) * n,
        "set_aside": (None,) * n,
        "source": "simulated",
    }
    return Readings(**(table | columns))  # type: ignore[arg-type]


def noisy_run(
    seed: int = 0,
    material: TanhLoop | None = None,
    gaps: np.ndarray | None = None,
    *,
    noise: float = 2e-6,
    truth: True_ | None = None,
    gap_error: float = 0.0,
) -> Readings:
    """One run with reading noise (kg) rounded to 1 mg, and each gap set again with ``gap_error`` (m)."""
    rng = np.random.default_rng(seed)
    gaps = np.geomspace(1e-3, 30e-3, 22) if gaps is None else gaps
    errors = gap_error * rng.standard_normal(5 * len(gaps) - 2) if gap_error else 0.0
    gap, orientation, _, change = weighed(material or TanhLoop(), gaps, truth=truth, gap_errors=errors)
    reading = np.round(change + noise * rng.standard_normal(len(gap)), 6)
    return readings_of(gap, orientation, reading, noise)


def without_row(readings: Readings, index: int) -> Readings:
    """The same table, never having had this row (numbers of the others as they were)."""
    keep = np.arange(len(readings)) != index
    columns = {}
    for name in Readings.__dataclass_fields__:
        value = getattr(readings, name)
        if isinstance(value, np.ndarray):
            columns[name] = value[keep]
        elif name in ("note", "set_aside"):
            columns[name] = tuple(v for v, k in zip(value, keep, strict=True) if k)
        else:
            columns[name] = value
    return Readings(**columns)
