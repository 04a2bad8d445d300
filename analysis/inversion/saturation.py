"""Whether a loop is that of a saturated sample, and what may be read off it."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

import numpy as np

from ..records.arrays import Floats
from .loop import Curve
from .settings import (
    EXTRAPOLATED,
    FOLLOWED,
    MEET,
    MOST_MISFIT,
    NEARLY,
    OPEN,
    SHEARED,
    TIMES_HCJ,
    TOGETHER,
    TOP,
)


def of_approach(H: Floats, M: Floats, power: int = 2) -> Floats:
    """Ms of M = Ms - c/H^power by least squares above ``TOP`` of the largest internal field; (t,)."""
    weight = (np.maximum(TOP * H[:, -1:], 0.0) < H).astype(float)
    x = np.where(weight > 0, H[:, -1:] / np.where(weight > 0, H, 1.0), 0.0) ** power
    n = weight.sum(axis=1)
    with np.errstate(invalid="ignore", divide="ignore"):
        mean_x, mean_y = (weight * x).sum(axis=1) / n, (weight * M).sum(axis=1) / n
        dx = weight * (x - mean_x[:, None])
        slope = (dx * M).sum(axis=1) / (dx * x).sum(axis=1)
        return np.where(n >= 5, mean_y - slope * mean_x, np.nan)


#: Figures read at internal field zero or in the second quadrant.
READ_INSIDE = {
    "remanence_A_per_m",
    "coercivity_HcB_A_per_m",
    "BHmax_J_per_m3",
    "squareness",
    "knee_field_Hk_A_per_m",
    "knee_squareness",
    "recoil_permeability",
    "switching_field_width",
    "load_line_of_loss",
}


_NEARLY_TOLD = {"coercivity_HcJ_A_per_m", "remanence_coercivity_A_per_m", "field_of_loss_A_per_m"}
#: Where M or remanence is nothing, or is first lost: nearly as of a saturated sample before M itself is.
NEARLY_TOLD = _NEARLY_TOLD | {"load_line_of_loss"}
#: Of a minor loop these are lower bounds.
READ_OFF_A_MINOR_LOOP = _NEARLY_TOLD | {
    "remanence_A_per_m",
    "coercivity_HcB_A_per_m",
    "BHmax_J_per_m3",
    "loop_energy_J_per_m3",
    "coercive_field_A_per_m",
}


@dataclass(frozen=True)
class Verdict:
    """What the data show about the loop as a whole.

    ``saturated`` and ``why_not`` (a sentence); ``law_of_approach``: followed at the top; ``sign_change``
    of M on the reverse branch; ``reverse_field``: the largest reverse internal field reached, A/m;
    ``second_quadrant``: entered, and left again on the side of B = 0.
    """

    saturated: bool
    why_not: str | None
    law_of_approach: bool
    sign_change: bool
    reverse_field: float
    second_quadrant: bool
    #: The branches have met in the mean field, so that a less exposed part alone may have turned over less.
    met: bool = False
    #: How far apart, by M, branches are that have not quite met (``NEARLY``); else 0.
    apart: float = 0.0
    #: Figures that are not claimed though they could be read off, and why, a sentence each.
    withheld: Mapping[str, str] = field(default_factory=dict)

    @property
    def nearly(self) -> bool:
        """The branches have not quite met, but HcJ may be reported, and if they have ``met`` in the mean
        field what else is read off the loop."""
        return self.apart > 0.0


def judge(curve: Curve, other: Curve | None, misfit: float = 0.0) -> Verdict:
    """Decide by trend and meeting of the branches, largest field against HcJ, sign change, quadrant;
    ``misfit`` the mean square of what the readings are off by, by what a model of a sample may be."""
    H, M = curve.H_internal, curve.M
    top, reverse = float(H[-1]), float(max(-H[0], 0.0))
    sign_change = bool(M[0] < 0.0 < M[-1])
    quadrant = bool(H[0] < 0.0 < H[-1] and H[0] + M[0] < 0.0)
    apart = _apart(curve, other)
    saturated, why = _saturated(curve, apart, top, sign_change)
    met = apart is not None and sign_change and top > 0.0 and apart[0] <= TOGETHER
    law = saturated and _follows_law(H, M, top)
    withheld: dict[str, str] = {}
    if (closed := _closed(curve, other)) is not None:
        withheld = dict.fromkeys(READ_INSIDE | READ_OFF_A_MINOR_LOOP, closed)
    elif (sheared := _sheared(curve, sign_change)) is not None:
        withheld = dict.fromkeys(READ_INSIDE, sheared)
    if misfit > MOST_MISFIT:
        withheld = dict.fromkeys(READ_INSIDE | READ_OFF_A_MINOR_LOOP, _unfit(misfit)) | withheld
    short = max(apart or (0.0,))
    nearly = short if sign_change and TOGETHER < short <= NEARLY else 0.0
    return Verdict(saturated, why, law, sign_change, reverse, quadrant, saturated or met, nearly, withheld)


def _apart(curve: Curve, other: Curve | None) -> tuple[float, float] | None:
    """How far apart the branches are near the top, by M there: of a sample that is everywhere in the mean
    field, and of the sample as it lay in the field; None where that cannot be told.

    Near the top is at ``MEET`` of the largest internal field. A part that was never in so strong a field has
    not turned over what others turned over beyond its own: it counts where it was, by its share.

    An ascending branch that was followed only on its way out, so that it ends before the top, is compared at
    the other end, where it begins: a loop between two fields of one size is symmetric.
    """
    if not len(curve) or other is None or len(other) < 2:
        return None
    for end, came in ((-1, other), (0, curve)):
        at = MEET * curve.H_internal[end]
        if abs(other.H_internal[end]) >= abs(at) and other.H_internal[end] * at > 0:
            felt = np.interp(came.farthest, came.H_applied, came.H_internal)
            where = np.append(at, np.fmin(felt, at) if at > 0.0 else np.fmax(felt, at))
            M, M_other = (np.interp(where, c.H_internal, c.M) for c in (curve, other))
            gaps = np.abs(M - M_other) / abs(float(curve.M[-1]))
            return float(gaps[0]), float(came.shares @ gaps[1:])
    return None


def _unfit(misfit: float) -> str:
    return (
        f"The readings do not fit: their misfits are {np.sqrt(misfit):.1f} times what a model of a sample "
        "may be off by: not even a bound can be given. (The sample did not saturate, and is no set of "
        "independent hysterons; or the bench file is wrong beyond its uncertainties.)"
    )


def _closed(curve: Curve, other: Curve | None) -> str | None:
    """Why a loop that does not open tells nothing of its material's."""
    if other is None or len(other) < 2 or not curve.H_internal[0] < 0.0 < curve.H_internal[-1]:
        return None
    at_zero = [float(np.interp(0.0, c.H_internal, c.M)) for c in (curve, other)]
    opening = 0.5 * (at_zero[0] - at_zero[1]) / float(np.abs(curve.M).max())
    if opening > OPEN:
        return None
    return (
        f"The branches do not part (by {100 * opening:.1f} % of M): no hysteresis is seen up to "
        f"{curve.H_internal[-1] / 1e3:.0f} kA/m; either nothing in the sample turned over, or it is soft."
    )


def _sheared(curve: Curve, sign_change: bool) -> str | None:
    """Why nothing can be read at internal field zero: it is the small difference of two large fields."""
    if not sign_change or not curve.H_internal[0] < 0.0 < curve.H_internal[-1]:
        return None
    own = curve.N * float(np.interp(0.0, curve.H_internal, curve.M))
    HcJ = float(-np.interp(0.0, curve.M, curve.H_internal))
    if own <= SHEARED * HcJ:
        return None
    return (
        f"The sample's own demagnetising field, {own / 1e3:.0f} kA/m, is {own / max(HcJ, 1e-3 * own):.0f} "
        "times HcJ, and is known to about one part in fifty only (it differs inside the sample): the shape "
        "decides here, not the material. A slender sample would tell."
    )


def _saturated(
    curve: Curve, apart: tuple[float, float] | None, top: float, sign_change: bool
) -> tuple[bool, str | None]:
    H, M = curve.H_internal, curve.M
    if not sign_change or top <= 0.0:
        return False, (
            "Whether the largest field saturates the sample cannot be determined: "
            + (
                "M never reached zero on the reverse branch."
                if top > 0.0
                else "no positive internal field was reached."
            )
        )
    HcJ = float(-np.interp(0.0, M, H))
    times = top / HcJ if HcJ > 0.0 else np.inf
    if apart is not None:
        # Crossed branches are no better: taken for functions of the field they are none.
        if max(apart) <= TOGETHER:
            return True, None
        largest = f"{top / 1e3:.0f} kA/m, {times:.1f} times HcJ"
        where = f"five sixths of the largest internal field ({largest})"
        if apart[0] <= TOGETHER:
            where = (
                "the strongest field that each of the sample's parts came to, in the mean over them (the "
                f"largest mean internal field is {largest})"
            )
        return False, (
            f"The branches are still {100 * max(apart):.1f} % of M apart at {where}: the sample is not "
            "saturated, and the loop is a minor loop."
        )
    if times < TIMES_HCJ:
        return False, (
            f"The largest internal field, {top / 1e3:.0f} kA/m, is {times:.1f} times HcJ; about "
            f"{TIMES_HCJ:.0f} times is needed to saturate, so the loop may be a minor loop."
        )
    return True, None


def _follows_law(H: Floats, M: Floats, top: float) -> bool:
    """Whether M at the top runs as Ms (1 - b/H^2), also just below where it was fitted, and whether the
    data tell it from Ms (1 - a/H), which extrapolates to another saturation."""
    square, simple = (float(of_approach(H[None], M[None], power)[0]) for power in (2, 1))
    # Where M is level at the top, chance alone decides whether it seems to rise.
    within = (1 - FOLLOWED) * M[-1] <= square <= (1 + EXTRAPOLATED) * M[-1]
    if not (within and abs(simple - square) < FOLLOWED * M[-1]):
        return False
    b = (1.0 - M[-1] / square) * top**2
    below = np.abs(H - 0.75 * top) < 0.25 * top
    return bool(np.all(np.abs(square * (1 - b / H[below] ** 2) - M[below]) < FOLLOWED * M[-1]))
