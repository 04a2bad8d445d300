"""Demagnetising factors of uniformly magnetised bodies (magnetometric, susceptibility 0).

The field a magnetised sample makes inside itself opposes its magnetisation, on average by N M.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import atan, atanh, hypot, isfinite, pi, sqrt

from ..records.bench import Sample


@dataclass(frozen=True)
class DemagnetisingFactor:
    """The factor along the axis, across it, and in a few words where they come from.

    ``transverse`` of a block is the mean of ``N_x`` (along its length) and ``N_y`` (along its width);
    for round bodies the three are equal. ``axial + N_x + N_y = 1``.
    """

    axial: float
    N_x: float
    N_y: float
    method: str

    @property
    def transverse(self) -> float:
        """Mean of the two factors across the axis."""
        return (self.N_x + self.N_y) / 2


#: The lengths each shape is described by, in the bench file's words; all in m.
LENGTHS: dict[str, tuple[str, ...]] = {
    "cylinder": ("diameter", "height"),
    "block": ("length", "width", "height"),
    "sphere": ("diameter",),
    "spheroid": ("diameter", "height"),
}


def demagnetising_factor(sample: Sample) -> DemagnetisingFactor:
    """The demagnetising factor of ``sample``, magnetised along z."""
    lengths = {}
    for name in LENGTHS[sample.shape]:
        size = getattr(sample, name)
        if size is None:
            raise ValueError(f"a sample of shape {sample.shape} needs its {name}")
        lengths[name] = size.value
    return demag(sample.shape, **lengths)


def demag(shape: str, **lengths: float) -> DemagnetisingFactor:
    """The demagnetising factor of a shape from its lengths in m, named as in the bench file.

    ``demag("cylinder", diameter=6e-3, height=3e-3)``; shapes and their lengths are in ``LENGTHS``.
    Raises ValueError for an unknown shape, a missing or foreign length, or one that is not positive.
    """
    if shape not in LENGTHS:
        raise ValueError(f"shape {shape!r} is not known; use one of {', '.join(LENGTHS)}")
    wanted = LENGTHS[shape]
    missing = [name for name in wanted if lengths.get(name) is None]
    foreign = [name for name, size in lengths.items() if size is not None and name not in wanted]
    if missing or foreign:
        said = [f"{name} is missing" for name in missing] + [f"{name} does not belong" for name in foreign]
        raise ValueError(f"a {shape} is described by {' and '.join(wanted)}: {', '.join(said)}")
    for name in wanted:
        if not (isfinite(lengths[name]) and lengths[name] > 0):
            raise ValueError(f"the {name} of a {shape} must be greater than 0, not {lengths[name]} m")
    if shape == "cylinder":
        N = cylinder(lengths["height"] / lengths["diameter"])
        return _round(N, "cylinder, exact (elliptic integrals): Joseph, J. Appl. Phys. 37 (1966) 4639")
    if shape == "block":
        a, b, c = lengths["length"], lengths["width"], lengths["height"]
        method = "rectangular prism, exact: Aharoni, J. Appl. Phys. 83 (1998) 3432, eq. 1"
        return DemagnetisingFactor(prism(a, b, c), prism(b, c, a), prism(c, a, b), method)
    if shape == "sphere":
        return _round(1 / 3, "sphere: one third, exact")
    N = spheroid(lengths["height"] / lengths["diameter"])
    return _round(N, "spheroid, exact: Osborn, Phys. Rev. 67 (1945) 351")


def cylinder(slenderness: float) -> float:
    """Axial magnetometric factor of a circular cylinder, ``slenderness`` = length / diameter.

    N = 1 - K with Nagaoka's inductance coefficient K: the flux a uniformly magnetised cylinder links with
    itself is that of a thin solenoid (Joseph, J. Appl. Phys. 37 (1966) 4639; Chen, Brug & Goldfarb,
    IEEE Trans. Magn. 27 (1991) 3601). k^2 = D^2/(D^2 + L^2).
    """
    from scipy.special import ellipe, ellipkm1

    k2 = 1 / (1 + slenderness**2)
    rest = slenderness**2 * k2
    K, E = float(ellipkm1(rest)), float(ellipe(k2))
    return 1 - 4 / (3 * pi * sqrt(rest)) * (rest / k2 * (K - E) + E - sqrt(k2))


def prism(a: float, b: float, c: float) -> float:
    """Magnetometric factor of a rectangular prism a x b x c along c: Aharoni (1998), eq. 1.

    Logarithms of (r + a)/(r - a) are written as 2 artanh(a/r), which loses no digits.
    """
    ab, bc, ca, r = hypot(a, b), hypot(b, c), hypot(c, a), sqrt(a * a + b * b + c * c)
    logs = (
        -(b * b - c * c) / (b * c) * atanh(a / r)
        - (a * a - c * c) / (a * c) * atanh(b / r)
        + b / c * atanh(a / ab)
        + a / c * atanh(b / ab)
        - c / a * atanh(b / bc)
        - c / b * atanh(a / ca)
    )
    cubes = a**3 + b**3 - 2 * c**3 + (a * a + b * b - 2 * c * c) * r - (ab**3 + bc**3 + ca**3)
    return (logs + 2 * atan(a * b / (c * r)) + cubes / (3 * a * b * c) + c * (ca + bc) / (a * b)) / pi


def spheroid(slenderness: float) -> float:
    """Factor of a spheroid along its polar axis, ``slenderness`` = polar / equatorial axis.

    Osborn (1945): N = (a b c / 2) int ds / ((s + c^2) sqrt((s + a^2)(s + b^2)(s + c^2))), which is Carlson's
    R_D (a b c / 3): one formula for flat, round and slender, without their case distinctions.
    """
    from scipy.special import elliprd

    return slenderness / 3 * float(elliprd(1.0, 1.0, slenderness**2))


def _round(axial: float, method: str) -> DemagnetisingFactor:
    across = (1 - axial) / 2
    return DemagnetisingFactor(axial, across, across, method)
