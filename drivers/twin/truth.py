"""What the analysis should find: the figures of the sample as the twin has made it.

Three loops, from widest to narrowest claim:

``figures``: the material's major loop in a uniform field, which only a wholly turned sample shows;
``minor``: its loop in a uniform internal field as large as the volume's mean ever was on this bench;
``cycled``: the volume's mean M against its mean internal field when carried through this bench's gaps.

Keys and definitions are the public contract's; SI.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import numpy as np

from .pellet import AWAY, MU0, Floats, Material, magnetisation
from .scenario import Scenario

#: A field that turns everything, A/m.
BEYOND_ALL = 1e7


def truth(scenario: Scenario) -> dict[str, Any]:
    """Figures and loops of a bench's sample."""
    path = walk(scenario)
    legs = np.array([row["leg"] for row in path])
    h = np.array([row["H_internal_A_per_m"] for row in path])
    m = np.array([row["M_A_per_m"] for row in path])
    peak = float(h.max())
    down = (legs == 1) | (legs == 2)
    order = np.argsort(h[down], kind="stable")
    h_down, m_down = h[down][order], m[down][order]

    def cycled(field: Floats) -> Floats:
        return np.interp(field, h_down, m_down)

    top = float(h_down[-1])
    saturation = scenario.material.saturation
    grid = np.linspace(-1.5 * peak, 1.5 * peak, 121)
    return {
        "figures": figures(descending(scenario.material, BEYOND_ALL), BEYOND_ALL, saturation),
        "minor": figures(descending(scenario.material, peak), peak, saturation),
        "cycled": figures(cycled, min(top, -float(h_down[0])), saturation),
        "largest_internal_field_A_per_m": peak,
        "largest_applied_field_A_per_m": max(row["H_applied_A_per_m"] for row in path),
        "demagnetising_factor": scenario.pellet().demagnetising_factor,
        "remanence_of_magnet_T": scenario.magnet.remanence,
        "contact_m": scenario.contact,
        "spacers_m": list(scenario.shims),
        "gravity_m_per_s2": scenario.gravity,
        "major_loop": {
            "H_A_per_m": grid.tolist(),
            "descending_M_A_per_m": descending(scenario.material, BEYOND_ALL)(grid).tolist(),
        },
        "path": path,
    }


def descending(material: Material, peak: float) -> Callable[[Floats], Floats]:
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
    reach = min(peak, 3e6)
    grid = np.linspace(-reach, reach, 20001)
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
    lowest = -(hcb if hcb is not None else reach)
    best = minimize_scalar(lambda x: MU0 * x * (at(x) + x), bounds=(lowest, 0.0), method="bounded")
    # The ascending branch is the descending one turned about the origin.
    energy = MU0 * float(np.trapezoid(m + m[::-1], grid))
    return {
        "saturation_A_per_m": saturation,
        "remanence_A_per_m": remanence,
        "coercivity_HcJ_A_per_m": crossing(m, at),
        "coercivity_HcB_A_per_m": hcb,
        "BHmax_J_per_m3": -float(best.fun),  # pyright: ignore[reportAttributeAccessIssue]
        "squareness": remanence / saturation,
        "largest_field_A_per_m": peak,
        "loop_energy_J_per_m3": energy,
    }


def walk(scenario: Scenario, points: int = 60, travel: float = 30e-3) -> list[dict[str, float]]:
    """The sample carried through one loop: leg by leg, the true mean fields, M and force at each gap."""
    pellet = scenario.pellet()
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
                    "H_internal_A_per_m": float(pellet.share @ pellet.internal),
                    "M_A_per_m": pellet.mean_M,
                    "force_N": pellet.attraction,
                }
            )
    return rows
