"""What a material's figures are: those of a uniform sample of it in a uniform field, H = applied - N M, as
IEC 60404 reads them."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from .bodies import Body
from .materials import Scaled
from .sample import Sample

Floats = NDArray[np.float64]
MU0 = 1.25663706127e-6


def uniform(body: Body, material: Scaled) -> Sample:
    """One cell of the body's factor and of its mean saturation."""
    one = np.ones(1)
    mean = float(body.volume @ material.saturation / body.total)
    whole = Body(body.total * one, np.full((1, 1), body.factor), np.zeros((1, 1, 3)), 0.5 * one)
    return Sample(whole, Scaled(material.kind, mean * one, material.field, material.mean_field))


def descending(body: Body, material: Scaled, top: float, steps: int = 500) -> tuple[Floats, Floats]:
    """Internal field (falling) and M, from the applied field ``top`` A/m down past the coercivity."""
    sample = uniform(body, material)
    one = np.ones(1)
    for field in np.linspace(0, top, 25):
        sample.apply(field * one)
    saturation = float(sample.material.saturation[0])
    # Fine where figures are read off: between the fields that hold the sample at + and - its own field.
    reach = body.factor * saturation + 2.5 * material.field
    above = np.linspace(top, reach, 20)[:-1] if top > reach else []
    h, m = [], []
    for field in np.concatenate([above, np.linspace(min(top, reach), -reach, steps)]):
        sample.apply(field * one)
        h.append(field - body.factor * sample.mean)
        m.append(sample.mean)
        if sample.mean < -0.95 * saturation:
            break
    return np.array(h), np.array(m)


def open_at(body: Body, material: Scaled, top: float) -> float:
    """How far the branches of the major loop are apart, by M, in the applied field ``top`` A/m: what that
    does not turn over, twice."""
    beyond = top + body.factor * float(np.max(material.saturation)) + 12 * material.field
    m = []
    for begin in (beyond, -beyond):
        sample = uniform(body, material)
        for field in (*np.linspace(0.0, begin, 25), *np.linspace(begin, -top, 50)):
            sample.apply(field * np.ones(1))
        m.append(sample.mean)
    return abs(m[0] / m[1] - 1.0)


def _cross(x: Floats, y: Floats, level: float) -> float:
    """The last-falling ``x`` where the falling ``y`` first goes below ``level``; nan if it does not."""
    below = np.flatnonzero(y < level)
    if not len(below) or below[0] == 0:
        return float("nan")
    k = int(below[0])
    return float(x[k - 1] + (level - y[k - 1]) / (y[k] - y[k - 1]) * (x[k] - x[k - 1]))


def figures(h: Floats, m: Floats) -> dict[str, float]:
    """Figures by their JSON keys from a descending branch (h need not fall evenly)."""
    remanence = _at(h, m, 0.0)
    hcj = -_cross(h, m, 0.0)
    b = MU0 * (h + m)
    hcb = -_cross(h, b, 0.0)
    second = (h <= 0) & (b >= 0)
    # The largest product, refined on the straight pieces.
    fine = np.linspace(0, 1, 9)
    hh = (h[:-1, None] + fine * np.diff(h)[:, None]).ravel()
    bb = (b[:-1, None] + fine * np.diff(b)[:, None]).ravel()
    product = np.where((hh <= 0) & (bb >= 0), -hh * bb, 0)
    knee = -_cross(h, m, 0.9 * remanence)
    quarter = -0.25 * hcj
    recoil = (MU0 * remanence - _at(h, b, quarter)) / (MU0 * -quarter)
    width = (_cross(h, m, remanence / 2) - _cross(h, m, -remanence / 2)) / hcj
    return {
        "remanence_A_per_m": remanence,
        "coercivity_HcJ_A_per_m": hcj,
        "coercivity_HcB_A_per_m": hcb,
        "BHmax_J_per_m3": float(product.max()) if second.any() else float("nan"),
        "knee_field_Hk_A_per_m": knee,
        "recoil_permeability": recoil,
        "switching_field_width": width,
        "knee_squareness": knee / hcj,
    }


def _at(h: Floats, y: Floats, where: float) -> float:
    """``y`` where the falling ``h`` first passes ``where``."""
    return _cross(y, h, where)
