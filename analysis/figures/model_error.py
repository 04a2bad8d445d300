"""What no model of a sample is without, in the uncertainty of its loop: its parts are not quite what a fit
takes them for.
 Three things are wrong with every model: the forces (uneven density, a shape that is not quite its own),
the field that the parts make inside the sample (known as that of a few cells), and the curve between the
readings (a knee is drawn as round as the readings and the own field leave it). Sizes are our choice, from
the even half of ``tests.benchmarks.adversary``."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from ..inversion.loop import Curve, LoopEstimate
from ..inversion.settings import FOLLOWED, MODEL_DOUBT, STRETCHES
from ..records.arrays import Floats
from .settings import BETWEEN, BEYOND, LOSES, LOST_OF_FALL, MOST_FALL, OWN_FIELD, UNTOLD

#: By which part the saturation may be larger or smaller than the law of approach makes it: M is seen to
#: follow that to ``FOLLOWED`` at two thirds of the largest field, which a slower law, by 1/H, carries twice
#: as far.
SATURATION = 2.0 * FOLLOWED


def common_errors(sample: str) -> dict[str, str]:
    """Of these, by key, what runs have in common, and what tells it from another's: runs of one ``sample``
    what its own field is off by (a chamfer, a density that is uneven), all runs the rest."""
    return {"own field": f"{sample}|own field", "taken off": "|taken off"}


def of_forces(estimate: LoopEstimate) -> Floats:
    """(n, r), N, by one standard normal a column: a part of each force, the larger the more the readings miss
    the model; much the same along a stretch of a branch, another on the next."""
    points, H = estimate.points, estimate.H_applied
    missed = np.sqrt(estimate.evidence.get("misfit", 1.0))
    pulled = np.nan_to_num(estimate.bench.field.pulled(points.force, estimate.M))
    size = MODEL_DOUBT * max(float(missed), UNTOLD) * pulled
    names, usable = np.array(points.branch), points.used & np.isfinite(H)
    stretches = np.arange(STRETCHES + 1)
    columns = [np.zeros((len(points), 0))]
    for branch in np.unique(names[usable]):
        rows = usable & (names == branch)
        at = STRETCHES * (H[rows] - H[rows].min()) / max(float(np.ptp(H[rows])), 1e-300)
        near = np.clip(1.0 - np.abs(at[:, None] - stretches), 0.0, 1.0)
        column = np.zeros((len(points), len(stretches)))
        # The squares of neighbours add up to one.
        column[rows] = np.sin(0.5 * np.pi * near) * size[rows, None]
        columns.append(column)
    return np.hstack(columns)


def of_minor_loop(curve: Curve, apart: float) -> Floats:
    """Change of the curve's field (m,), A/m, by one standard normal: a loop whose branches are ``apart`` near
    the top, by M, is wider where the sample saturates by about as large a part; and one of recoil lines is
    another in its width."""
    backward = curve.H_internal < 0.0 if curve.branch == "descending" else curve.H_internal > 0.0
    return apart * np.where(backward, curve.H_internal, 0.0)


def of_own_field(curve: Curve) -> Floats:
    """Change of the curve's field (m,), A/m, by one standard normal: in proportion to M, as a wrong N makes
    it."""
    return OWN_FIELD * curve.N * curve.M


def of_knees(curve: Curve, fields: Floats) -> Floats:
    """Change of M (m,), A/m, by one standard normal: what is lost by drawing the curve as round as the own
    field's unevenness and the distance of the readings' ``fields`` leave it, which is what doing so once
    more takes away."""
    H, M = curve.H_applied, curve.M
    at = np.unique(fields[np.isfinite(fields)])
    if len(at) < 3 or len(H) < 3:
        return np.zeros(len(H))
    apart = np.interp(H, 0.5 * (at[1:] + at[:-1]), np.diff(at))
    width = np.hypot(OWN_FIELD * curve.N * float(np.abs(M).max()), BETWEEN * apart)
    weight = np.exp(-0.5 * ((H - H[:, None]) / np.maximum(width, 1e-9 * np.ptp(H))[:, None]) ** 2)
    # About each place as much on either side, so that a straight stretch stays as it is at its ends too.
    reach = np.minimum(H - H[0], H[-1] - H)[:, None]
    weight[np.abs(H - H[:, None]) > np.maximum(reach, 0.0) * (1 + 1e-9)] = 0.0
    weight[np.diag_indices(len(H))] = np.maximum(weight.diagonal(), 1.0)
    return M - (weight @ M) / weight.sum(axis=1)


def loses_when_taken_off(curve: Curve, own_by_HcJ: float) -> bool:
    """Whether a sample that is taken off loses magnetisation, its own field N Mr being ``own_by_HcJ``."""
    return own_by_HcJ >= LOSES or fall_when_taken_off(curve) >= MOST_FALL


def fall_when_taken_off(curve: Curve) -> float:
    """By which part of the remanence M falls towards the field that the sample stands in when it is taken
    off, and a little beyond; 0 where the curve does not go so far."""
    H, M = curve.H_internal, curve.M
    if len(H) < 3 or not H[0] < 0.0 < H[-1]:
        return 0.0
    Mr = float(np.interp(0.0, H, M))
    return 1.0 - float(np.interp(-BEYOND * curve.N * Mr, H, M)) / Mr if Mr > 0.0 else 0.0


def of_taking_off(curve: Curve) -> Floats:
    """Change of M (m,), A/m, by one standard normal: what part a sample taken off before each reading has
    lost above the field it then stands in. Against a reverse applied field it comes back to where it was: the
    loop between closes."""
    H, M = curve.H_internal, curve.M
    sign = 1.0 if curve.branch == "descending" else -1.0
    if not len(H):
        return np.zeros(0)
    off = abs(float(np.interp(0.0, curve.H_applied, M)))
    here = np.clip(1.0 + sign * H / max(BEYOND * curve.N * off, 1e-300), 0.0, 1.0)
    top = np.clip(np.abs(H) / max(float(np.abs(H).max()), 1e-300), 0.0, 1.0)
    fall = min(max(fall_when_taken_off(_falling(curve)), 0.0), 1.0)
    return LOST_OF_FALL * fall * M * here * (1.0 - top)


def _falling(curve: Curve) -> Curve:
    """The branch as the descending one."""
    if curve.branch == "descending":
        return curve
    return replace(curve, branch="descending", H_applied=-curve.H_applied[::-1], M=-curve.M[::-1])
