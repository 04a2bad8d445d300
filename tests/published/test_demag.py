"""Demagnetising factors against published tables and independently computed values.

Long decimals were computed by at least two routes: spheroids by closed form and Osborn's integral (Phys. Rev.
67 (1945) 351); prisms by Aharoni's closed form (J. Appl. Phys. 83 (1998) 3432) and the direct integral over
pairs of charged faces; cylinders by elliptic integrals, a Hankel integral and disc-to-disc distances.
"""

from __future__ import annotations

import numpy as np
import pytest
from scipy.integrate import quad
from scipy.special import j1

from weighloop.analysis.magnetostatics.demagnetising_factor import cylinder, demag, prism, spheroid

SPHEROIDS = {
    0.1: 0.860804276528,
    0.2: 0.750483912423,
    0.5: 0.527200282563,
    1: 1 / 3,
    2: 0.173563997534,
    3: 0.108709465053,
    5: 0.0558209698025,
    10: 0.0202858803016,
    100: 0.000429898719882,
}
SQUARE_PRISMS = {
    0.1: 0.805077633641,
    0.2: 0.694194041880,
    0.5: 0.495922037975,
    1: 1 / 3,
    2: 0.198316152789,
    3: 0.140362767561,
    5: 0.0883157400454,
    10: 0.0457311923871,
}
PRISMS = {
    (20, 20, 10): 0.495922037975,
    (3, 2, 1): 0.538790305924,
    (1, 2, 3): 0.182817977980,
    (10, 5, 2): 0.612194357011,
    (2, 10, 5): 0.261004318656,
    (5, 2, 10): 0.126801324334,
}
# L/D: N_m, N transverse
CYLINDERS = {
    0.1: (0.796676482478, 0.1016617588),
    0.2: (0.680174532218, 0.1599127339),
    0.5: (0.474489975748, 0.2627550121),
    1: (0.311577392680, 0.3442113037),
    2: (0.181864248065, 0.4090678760),
    5: (0.0799073291722, 0.4600463354),
    10: (0.0411928757963, 0.4794035621),
}
# Nagaoka, The inductance coefficients of solenoids (1909), table p. 31: D/L: K. The table is good to
# about 1e-5 only above D/L = 3.5.
NAGAOKA = {0.25: 0.901649, 1: 0.688423, 5: 0.319825, 10: 0.203315}


@pytest.mark.parametrize(("m", "N"), SPHEROIDS.items())
def test_spheroids(m, N):
    assert spheroid(m) == pytest.approx(N, abs=1e-12)
    found = demag("spheroid", diameter=5e-3, height=5e-3 * m)
    assert found.axial == pytest.approx(N, abs=1e-12)
    assert found.transverse == pytest.approx((1 - N) / 2, abs=1e-12)


@pytest.mark.parametrize(("c", "N"), SQUARE_PRISMS.items())
def test_square_prisms(c, N):
    assert prism(1, 1, c) == pytest.approx(N, abs=2e-11)


@pytest.mark.parametrize(("sides", "N"), PRISMS.items())
def test_prisms(sides, N):
    assert prism(*sides) == pytest.approx(N, abs=1e-9)


@pytest.mark.parametrize(("slenderness", "N"), CYLINDERS.items())
def test_cylinders(slenderness, N):
    found = demag("cylinder", diameter=6e-3, height=6e-3 * slenderness)
    assert found.axial == pytest.approx(N[0], abs=1e-11)
    assert found.transverse == pytest.approx(N[1], abs=1e-9)


@pytest.mark.parametrize(("flatness", "K"), NAGAOKA.items())
def test_nagaoka_table(flatness, K):
    assert 1 - cylinder(1 / flatness) == pytest.approx(K, abs=1e-6 if flatness <= 3.5 else 4e-5)


def test_chen_brug_goldfarb_table():
    # Chen, Brug & Goldfarb, IEEE Trans. Magn. 27 (1991) 3601, table for susceptibility 0; from memory.
    table = {0.1: 0.7967, 0.2: 0.6802, 0.5: 0.4745, 1: 0.3116, 2: 0.1819, 5: 0.07991, 10: 0.04119}
    for slenderness, N in table.items():
        assert cylinder(slenderness) == pytest.approx(N, abs=5e-5)


@pytest.mark.parametrize("slenderness", [0.03, 0.3, 0.9, 4.0])
def test_cylinder_by_a_bessel_integral(slenderness):
    # N = 2 int J1(q)^2 (1 - exp(-2 L/D q)) / (2 L/D q^2) dq: mutual energy of two charged discs (scipy).
    length = 2 * slenderness

    def integrand(q):
        return 2 * j1(q) ** 2 * -np.expm1(-length * q) / (length * q**2)

    pieces = [quad(integrand, a, b, limit=400, epsabs=1e-12)[0] for a, b in ((1e-12, 50), (50, 2000))]
    # Beyond, J1^2 averages 1/(pi q) and the exponential is gone: the rest is 1/(pi L q^2).
    tail = 1 / (np.pi * length * 2000**2)
    assert cylinder(slenderness) == pytest.approx(sum(pieces) + tail, abs=2e-7)


def test_a_cylinder_like_a_sphere():
    # Root found at 30 digits.
    assert cylinder(0.906476150066) == pytest.approx(1 / 3, abs=1e-11)
