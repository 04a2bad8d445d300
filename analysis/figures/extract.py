"""Reading the figures off a loop's curves, of many loops at once (``figures`` has their definitions)."""

from __future__ import annotations

import numpy as np

from ..constants import MU0
from ..inversion.saturation import of_approach
from ..records.arrays import Floats


def read_figures(
    H_applied: Floats,
    M: Floats,
    N: Floats | float,
    H_ascending: Floats | None = None,
    M_ascending: Floats | None = None,
    *,
    law_of_approach: bool = False,
) -> dict[str, Floats]:
    """All figures of many loops at once, by the keys of the public JSON.

    ``H_applied`` (m,) or (t, m) in rising order and ``M`` (t, m): the descending branch of t loops in A/m;
    ``N`` (t,) or one number; ``H_ascending``, ``M_ascending`` the other branch, on a grid of its own.
    ``law_of_approach``: take the saturation from it, else from M at the largest field. Returns arrays
    (t,), NaN where a loop does not have the figure.
    """
    M = np.atleast_2d(np.asarray(M, float))
    t = len(M)
    applied = np.broadcast_to(np.asarray(H_applied, float), M.shape)
    if M.shape[1] < 2:
        nothing = np.full(t, np.nan)
        top = applied[:, -1] - np.broadcast_to(N, (t,)) * M[:, -1] if M.shape[1] else nothing
        return dict.fromkeys(NAMES, nothing) | {"largest_field_A_per_m": top}
    H = applied - np.reshape(np.asarray(N, float), (-1, 1)) * M
    B = H + M  # over μ0

    remanence = _crossing(H, M)
    HcJ = -_crossing(M, H)
    HcB = -_crossing(B, H)
    top = M[:, -1]
    saturation = of_approach(H, M) if law_of_approach else top
    # Of the reverse fields alone: near the top a trial's branch may well dip below 0.9 of its remanence.
    fallen = M - 0.9 * remanence[:, None]
    knee = -_crossing(np.where(H > 0.0, np.maximum(fallen, 0.1 * remanence[:, None]), fallen), H)
    half_up, half_down = (_crossing(M - s * 0.5 * remanence[:, None], H) for s in (1.0, -1.0))
    quarter = _crossing(H + 0.25 * HcJ[:, None], M)
    figures = {
        "saturation_A_per_m": saturation,
        "remanence_A_per_m": remanence,
        "coercivity_HcJ_A_per_m": HcJ,
        "coercivity_HcB_A_per_m": HcB,
        "BHmax_J_per_m3": MU0 * _largest_product(H, B),
        "squareness": _ratio(remanence, saturation),
        "largest_field_A_per_m": H[:, -1],
        "loop_energy_J_per_m3": np.full(t, np.nan),
        "knee_field_Hk_A_per_m": knee,
        "knee_squareness": _ratio(knee, HcJ),
        "recoil_permeability": 1.0 + _ratio(remanence - quarter, 0.25 * HcJ),
        "switching_field_width": _ratio(half_up - half_down, HcJ),
    }
    if H_ascending is not None and M_ascending is not None and np.shape(M_ascending)[-1] > 1:
        other = np.atleast_2d(np.asarray(M_ascending, float))
        figures["loop_energy_J_per_m3"] = MU0 * _area(
            applied, M, np.broadcast_to(H_ascending, other.shape), other
        )
    return figures


#: Every key ``read_figures`` returns.
NAMES = (
    "saturation_A_per_m",
    "remanence_A_per_m",
    "coercivity_HcJ_A_per_m",
    "coercivity_HcB_A_per_m",
    "BHmax_J_per_m3",
    "squareness",
    "largest_field_A_per_m",
    "loop_energy_J_per_m3",
    "knee_field_Hk_A_per_m",
    "knee_squareness",
    "recoil_permeability",
    "switching_field_width",
)


# ---- arrays (t, m), rising order


def _crossing(y: Floats, value: Floats) -> Floats:
    """``value`` where ``y`` rises through zero, (t,); coming from the top the first such place; else NaN."""
    below = y <= 0.0
    change = below[:, :-1] & ~below[:, 1:] & np.isfinite(y[:, 1:])
    at = change.shape[1] - 1 - np.argmax(change[:, ::-1], axis=1)
    row = np.arange(len(y))
    low, high = y[row, at], y[row, at + 1]
    with np.errstate(invalid="ignore", divide="ignore"):
        part = -low / (high - low)
        return np.where(
            change[row, at], value[row, at] + part * (value[row, at + 1] - value[row, at]), np.nan
        )


def _ratio(a: Floats, b: Floats) -> Floats:
    with np.errstate(invalid="ignore", divide="ignore"):
        return np.where(b != 0.0, a / b, np.nan)


def _largest_product(H: Floats, B: Floats) -> Floats:
    """Largest -H B of the second quadrant, sharpened by the parabola through its neighbours; (t,)."""
    inside = (H < 0.0) & (B > 0.0)
    product = np.where(inside, -H * B, -np.inf)
    at = np.argmax(product, axis=1)
    row = np.arange(len(H))
    best = product[row, at]
    i = np.clip(at, 1, H.shape[1] - 2) if H.shape[1] > 2 else at
    if H.shape[1] > 2:
        x = np.stack([H[row, i + k] for k in (-1, 0, 1)])
        y = np.stack([-H[row, i + k] * B[row, i + k] for k in (-1, 0, 1)])
        with np.errstate(invalid="ignore", divide="ignore"):
            d0, d2 = (y[0] - y[1]) / (x[0] - x[1]), (y[2] - y[1]) / (x[2] - x[1])
            bend = (d2 - d0) / (x[2] - x[0])
            slope = d0 - bend * (x[0] - x[1])
            gain = np.where(bend < 0.0, -slope * slope / (4.0 * bend), 0.0)
            step = -slope / (2.0 * bend)
            near = (i == at) & (step > x[0] - x[1]) & (step < x[2] - x[1]) & np.isfinite(gain)
        best = np.where(near, y[1] + np.where(near, gain, 0.0), best)
    return np.where(np.isfinite(best), best, np.nan)


def _area(H: Floats, M: Floats, H_other: Floats, M_other: Floats) -> Floats:
    """Area between the branches, A²/m², where both cover the same applied fields; else NaN; (t,).

    The closed integral is the same over applied and internal field, as that of M dM is nothing. Where the
    other branch was followed to the far end only, twice that under this one: the loop is symmetric.
    """
    span, end = H[:, -1] - H[:, 0], H_other[:, -1]
    whole = np.trapezoid(M, H, axis=1) - np.trapezoid(M_other, H_other, axis=1)
    reach = np.minimum(H[:, -1], -H[:, 0])[:, None]
    twice = 2.0 * np.trapezoid(M, np.clip(H, -reach, reach), axis=1)
    area = np.where(np.abs(H[:, -1] - end) < 0.02 * span, whole, np.nan)
    area = np.where((end <= 0.0) & (end > -0.1 * span), twice, area)
    return np.where(np.abs(H[:, 0] - H_other[:, 0]) < 0.02 * span, area, np.nan)
