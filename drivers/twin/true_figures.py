"""What the analysis should find: the figures of the sample as the twin has made it.

Four loops. By the public contract M is the volume's mean and H internal is H applied - N M, so
the first is what the figures of a sample mean; the others tell where a difference comes from.

``figures``: the sample in a uniform applied field large enough to turn it wholly;
``minor``: the same up to the field that this bench can apply (mean over the volume) and no farther;
``cycled``: the sample carried through this bench's gaps, where the field differs from place to place;
``material``: a piece of the material without any field of its own, which no open sample shows: in a
disc the rings' own fields differ, and that rounds the loop's corners.

Keys and definitions are the public contract's; SI.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import numpy as np

from .bench_file import Scenario
from .field import Floats
from .sample import AWAY, MU0, SampleMaterial, TwinSample, magnetisation

#: A field that turns everything, A/m.
BEYOND_ALL = 4e6


def truth(scenario: Scenario) -> dict[str, Any]:
    """Figures and loops of a bench's sample."""
    path = walk(scenario)
    legs = np.array([row["leg"] for row in path])
    h = np.array([row["H_internal_A_per_m"] for row in path])
    m = np.array([row["M_A_per_m"] for row in path])
    reverse = (legs == 1) | (legs == 2)
    largest = max(row["H_applied_A_per_m"] for row in path)
    saturation = scenario.material.saturation
    whole = uniform_loop(scenario.pellet(), BEYOND_ALL)
    minor = uniform_loop(scenario.pellet(), largest)
    cycled = (h[reverse], m[reverse])
    grid = np.linspace(-1.5, 1.5, 121) * float(h.max())
    return {
        "figures": figures(curve(*whole), reach(*whole), saturation),
        "minor": figures(curve(*minor), reach(*minor), saturation),
        "cycled": figures(curve(*cycled), reach(*cycled), saturation),
        "material": figures(descending(scenario.material, BEYOND_ALL), BEYOND_ALL, saturation),
        "largest_internal_field_A_per_m": float(h.max()),
        "largest_applied_field_A_per_m": largest,
        "demagnetising_factor": scenario.pellet().demagnetising_factor,
        "remanence_of_magnet_T": scenario.magnet.remanence,
        "contact_m": scenario.contact,
        "spacers_m": list(scenario.shims),
        "gravity_m_per_s2": scenario.gravity,
        "major_loop": {
            "H_A_per_m": grid.tolist(),
            "descending_M_A_per_m": curve(*whole)(grid).tolist(),
        },
        "path": path,
    }


def uniform_loop(pellet: TwinSample, peak: float) -> tuple[Floats, Floats]:
    """Internal field (H applied - N M) and mean M, A/m, of the falling branch in a uniform applied field.

    The sample is cycled between ``peak`` and -``peak`` (A/m) first, as a loop is.
    """
    everywhere = np.ones_like(pellet.share)
    span = 3.0 * pellet.material.coercivity + pellet.material.saturation
    fall = np.sinh(np.linspace(np.arcsinh(peak / span), -np.arcsinh(peak / span), 301)) * span
    for field in np.concatenate((fall[150::-10], fall[::10], fall[::-10])):
        pellet.expose(field * everywhere)
    rows = []
    for field in fall:
        pellet.expose(field * everywhere)
        rows.append((field - pellet.demagnetising_factor * pellet.mean_M, pellet.mean_M))
    h, m = np.array(rows).T
    return h, m


def curve(h: Floats, m: Floats) -> Callable[[Floats], Floats]:
    """M (A/m) against internal field through points of one branch, straight between them."""
    order = np.argsort(h, kind="stable")
    return lambda field: np.interp(field, h[order], m[order])


def reach(h: Floats, _m: Floats) -> float:
    """The field up to which a branch's points know both signs, A/m."""
    return float(min(h.max(), -h.min()))


def descending(material: SampleMaterial, peak: float) -> Callable[[Floats], Floats]:
    """M (A/m) against a uniform internal field falling from ``peak``, having come up from -``peak``."""
    half_widths = material.half_widths()
    bottom = np.maximum(0.0, peak - half_widths)
    border = np.maximum(-bottom, peak - half_widths)

    def branch(field: Floats) -> Floats:
        h = np.atleast_1d(np.asarray(field, dtype=float))
        return magnetisation(material, np.minimum(border, h[:, None] + half_widths), h)

    return branch


def figures(branch: Callable[[Floats], Floats], peak: float, saturation: float) -> dict[str, float | None]:
    """The contract's figures of a loop from its descending branch; None where it has none."""
    from scipy.optimize import brentq, minimize_scalar

    # The knee is where the fields are those of the material, however far the loop reaches.
    far = min(peak, 3e6)
    grid = np.linspace(-far, far, 20001)
    m = branch(grid)

    def at(x: float) -> float:
        return float(branch(np.array([x]))[0])

    def crossing(values: Floats, value: Callable[[float], float]) -> float | None:
        """The reverse field at which ``value`` (on the grid: ``values``) goes through zero."""
        below = np.flatnonzero((values[:-1] <= 0.0) & (values[1:] > 0.0))
        if below.size == 0:
            return None
        k = int(below[-1])
        root = brentq(value, grid[k], grid[k + 1], xtol=1e-3)
        return -float(root)  # pyright: ignore[reportArgumentType]

    remanence = at(0.0)
    hcb = crossing(m + grid, lambda x: at(x) + x)
    lowest = -(hcb if hcb is not None else far)
    best = minimize_scalar(lambda x: MU0 * x * (at(x) + x), bounds=(lowest, 0.0), method="bounded")
    # The ascending branch is the descending one turned about the origin.
    energy = MU0 * float(np.trapezoid(m + m[::-1], grid))
    return {
        "saturation_A_per_m": saturation,
        "remanence_A_per_m": remanence,
        "coercivity_HcJ_A_per_m": crossing(m, at),
        "coercivity_HcB_A_per_m": hcb,
        "BHmax_J_per_m3": -float(best.fun),  # pyright: ignore[reportAttributeAccessIssue]
        "squareness": remanence / float(m[-1]),  # by M at the largest field: the loop's own
        "largest_field_A_per_m": peak,
        "loop_energy_J_per_m3": energy,
    }


def walk(scenario: Scenario, points: int = 60, travel: float = 30e-3) -> list[dict[str, float]]:
    """The sample carried through one loop: leg by leg, the true mean fields, M and force at each gap."""
    pellet = scenario.pellet()
    n = pellet.demagnetising_factor
    gaps = scenario.contact + travel * np.linspace(0.0, 1.0, points) ** 1.5
    rows: list[dict[str, float]] = []
    for leg, (orientation, inward) in enumerate(((1, True), (1, False), (-1, True), (-1, False), (1, True))):
        if inward:
            pellet.travel(AWAY, orientation)
        for gap in gaps[::-1] if inward else gaps:
            pellet.follow(float(gap), orientation)
            rows.append(
                {
                    "leg": leg,
                    "orientation": orientation,
                    "gap_m": float(gap),
                    "H_applied_A_per_m": float(pellet.share @ pellet.applied),
                    "H_internal_A_per_m": float(pellet.share @ pellet.applied) - n * pellet.mean_M,
                    "M_A_per_m": pellet.mean_M,
                    "force_N": pellet.attraction,
                }
            )
    return rows
