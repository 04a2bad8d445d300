"""The sample cut into rings, and what field each ring makes in every other.

The rings are stacked in layers. Where M differs from ring to ring the sample's own field is not
-N times the mean: each ring, magnetised along z, carries its charges on its two flat faces, and
their field is that of the magnet's faces (see ``field``).
"""

from __future__ import annotations

from dataclasses import dataclass
from math import pi

import numpy as np

from .field import Floats, disc

#: Layers, and rings in each.
LAYERS, RINGS = 6, 4
#: Points round a ring, over one half: the other is its mirror image, as the offset is along x.
ROUND = 6


@dataclass(frozen=True)
class RingCells:
    """Rings of a disc; c of them, each with points round it.

    ``x``, ``y``, ``z`` (c, points) in m, z from the disc's lower face; ``share`` (c,) of the volume, sum 1;
    ``own`` (c, c): the field at ring i is ``-own[i, j]`` times the magnetisation of ring j.
    """

    x: Floats
    y: Floats
    z: Floats
    share: Floats
    own: Floats


def disc_cells(radius: float, height: float, offset: float = 0.0, *, round_magnet: bool = True) -> RingCells:
    """Cut a disc whose axis is ``offset`` (m, along x) off the magnet's.

    The rings' middles are Gauss-Legendre nodes along z and in the square of the radius, their
    borders where the weights add up: an integral over the disc is then a sum over its rings.
    """
    nodes_z, weights_z = np.polynomial.legendre.leggauss(LAYERS)
    nodes_r, weights_r = np.polynomial.legendre.leggauss(RINGS)
    z = (nodes_z + 1) / 2 * height
    r = radius * np.sqrt((nodes_r + 1) / 2)
    faces = np.concatenate(([0.0], np.cumsum(weights_z / 2))) * height
    rims = radius * np.sqrt(np.concatenate(([0.0], np.cumsum(weights_r / 2))))

    points = 1 if offset == 0.0 and round_magnet else ROUND
    phi = (np.arange(points) + 0.5) * pi / points
    zz, rr = (a.ravel() for a in np.meshgrid(z, r, indexing="ij"))
    return RingCells(
        x=rr[:, None] * np.cos(phi) + offset,
        y=rr[:, None] * np.sin(phi),
        z=np.repeat(zz[:, None], points, axis=1),
        share=np.outer(weights_z / 2, weights_r / 2).ravel(),
        own=_own_field(zz, rr, faces, rims),
    )


def _own_field(z: Floats, r: Floats, faces: Floats, rims: Floats) -> Floats:
    """How much each ring demagnetises every other, (c, c)."""
    # Solid angle of every face's every annulus, seen from every ring: its field, up to 4 pi and the side.
    angles = np.empty((faces.size, rims.size - 1, z.size))
    for k, face in enumerate(faces):
        away = z - face
        full = [np.zeros_like(z) if rim == 0.0 else disc(float(rim), r, np.abs(away))[0] for rim in rims]
        angles[k] = np.sign(away) * np.diff(np.array(full), axis=0)
    bottom, top = angles[:-1], angles[1:]
    return ((bottom - top) / (4 * pi)).reshape(-1, z.size).T.copy()
