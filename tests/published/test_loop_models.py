"""Loop figures against models of magnetism with known answers (check values, section 9)."""

from __future__ import annotations

import numpy as np
import pytest

from weighloop.analysis.constants import MU0
from weighloop.analysis.figures.extract import read_figures
from weighloop.analysis.inversion.saturation import of_approach


def one(figures: dict[str, np.ndarray], name: str) -> float:
    return float(figures[name][0])


def stoner_wohlfarth(h: np.ndarray, angles: int = 400) -> np.ndarray:
    """Descending branch of a random assembly of uniaxial single-domain grains; h in units of HK.

    E. C. Stoner, E. P. Wohlfarth, Phil. Trans. R. Soc. A 240 (1948) 599: each grain minimises
    -cos(2 (phi - psi))/4 - h cos(phi), psi the angle of its easy axis to the field, and stays in its
    minimum until that is none. Grains weigh sin(psi).
    """
    x, w = np.polynomial.legendre.leggauss(angles)
    psi = np.arccos(0.5 * (x + 1.0))
    switching = (np.cos(psi) ** (2 / 3) + np.sin(psi) ** (2 / 3)) ** -1.5
    M = np.empty(len(h))
    for k, field in enumerate(h):
        # Up to its switching field a grain stays with the end of its easy axis that looks up.
        phi = np.where(field > -switching, psi, psi + np.pi)
        for _ in range(200):  # Newton steps kept small, so that the nearest minimum is found
            slope = np.cos(2 * (phi - psi)) + field * np.cos(phi)
            torque = 0.5 * np.sin(2 * (phi - psi)) + field * np.sin(phi)
            step = np.clip(torque / np.maximum(slope, 0.02), -0.05, 0.05)
            phi = phi - step
            if np.abs(step).max() < 1e-14:
                break
        M[k] = 0.5 * w @ np.cos(phi)
    return M


@pytest.fixture(scope="module")
def assembly() -> tuple[np.ndarray, np.ndarray]:
    h = np.concatenate([np.linspace(-1.5, -0.3, 241), np.linspace(-0.29, 0.3, 60), np.linspace(0.4, 20, 99)])
    return h, stoner_wohlfarth(h)


def test_stoner_wohlfarth_remanence_and_coercivity(assembly: tuple[np.ndarray, np.ndarray]) -> None:
    """Mr/Ms = 1/2 exactly; Hc/HK = 0.482212046 (recomputed three ways; the 0.479 of 1948 was by hand)."""
    h, m = assembly
    HK, Ms = 1e6, 4e5
    found = read_figures(h * HK, (m * Ms)[None], 0.0)
    assert one(found, "remanence_A_per_m") == pytest.approx(0.5 * Ms, rel=2e-4)
    assert one(found, "coercivity_HcJ_A_per_m") == pytest.approx(0.482212046 * HK, rel=2e-3)


def test_stoner_wohlfarth_points() -> None:
    """m at h = -0.25, 0.5, 1, 2 (recomputed)."""
    points = np.array([-0.25, 0.5, 1.0, 2.0])
    expected = [0.30389554, 0.76076951, 0.91297505, 0.98091523]
    np.testing.assert_allclose(stoner_wohlfarth(points), expected, atol=2e-4)


def test_law_of_approach_of_the_assembly(assembly: tuple[np.ndarray, np.ndarray]) -> None:
    """M = Ms (1 - b/H^2) with b = HK^2/15: the saturation comes back from fields of 13 to 20 HK."""
    h, m = assembly
    assert float(of_approach(h[None], m[None])[0]) == pytest.approx(1.0, abs=1e-5)
    # (1 - m) h^2 = 0.067620 at h = 20 (recomputed), tending to 1/15.
    assert (1 - m[-1]) * 400 == pytest.approx(0.067620, abs=2e-4)


def test_tanh_loop() -> None:
    """J = 0.40 tanh((H + 250e3)/40e3) T (recomputed): Jr, HcJ, HcB, Hk, (BH)max."""
    H = np.linspace(-400e3, 400e3, 8001)
    found = read_figures(H, (0.40 * np.tanh((H + 250e3) / 40e3) / MU0)[None], 0.0)
    assert one(found, "remanence_A_per_m") * MU0 == pytest.approx(0.3999970187, rel=1e-8)
    assert one(found, "coercivity_HcJ_A_per_m") == pytest.approx(250000.0, rel=1e-8)
    assert one(found, "coercivity_HcB_A_per_m") == pytest.approx(216762.4759, rel=1e-6)
    assert one(found, "knee_field_Hk_A_per_m") == pytest.approx(191112.6326, rel=1e-6)
    assert one(found, "knee_squareness") == pytest.approx(0.76445053, rel=1e-6)
    assert one(found, "BHmax_J_per_m3") == pytest.approx(30973.85631, rel=1e-6)


@pytest.mark.parametrize("factor", [0.1, 0.47, 0.8])
def test_figures_do_not_depend_on_the_shape(factor: float) -> None:
    """The same material as a body of demagnetising factor N: the sheared loop gives the same figures."""
    H = np.linspace(-400e3, 400e3, 8001)
    M = 0.40 * np.tanh((H + 250e3) / 40e3) / MU0
    plain, body = read_figures(H, M[None], 0.0), read_figures(H + factor * M, M[None], factor)
    for name in plain:
        np.testing.assert_allclose(body[name], plain[name], rtol=1e-6, err_msg=name)


def test_recoil_line() -> None:
    """J falling linearly with mu_rec = 1.05 from 1.32 T: (BH)max = Br^2/(4 mu0 mu_rec) = 330.13282 kJ/m3,
    HcB = Br/(mu0 mu_rec) = 1000.4025 kA/m (recomputed)."""
    H = np.linspace(-1.2e6, 0.4e6, 4001)
    M = (1.32 + 0.05 * MU0 * H) / MU0
    found = read_figures(H, M[None], 0.0)
    assert one(found, "BHmax_J_per_m3") == pytest.approx(330132.82, rel=1e-6)
    assert one(found, "coercivity_HcB_A_per_m") == pytest.approx(1000402.5, rel=1e-6)


@pytest.mark.parametrize(
    ("Br", "kJ"), [(0.385, 29.488427), (0.40, 31.830989), (1.0, 198.943679), (1.2, 286.478898)]
)
def test_ideal_square_loop(Br: float, kJ: float) -> None:
    """(BH)max = Br^2/(4 mu0) (recomputed); J stays at Br far beyond HcB."""
    H = np.linspace(-2.2 * Br / MU0, 0.5 * Br / MU0, 6001)
    M = np.where(-2 * Br / MU0 < H, Br / MU0, -Br / MU0)
    assert one(read_figures(H, M[None], 0.0), "BHmax_J_per_m3") == pytest.approx(1e3 * kJ, rel=1e-6)


def test_loop_energy_of_a_parallelogram() -> None:
    """Branches 2 Hc apart over a height of 2 Ms: area 4 Hc Ms, times mu0 (geometry)."""
    Hc, Ms, slope = 50e3, 300e3, 10.0
    H = np.linspace(-200e3, 200e3, 8001)
    down, up = (np.clip(slope * (H + s * Hc), -Ms, Ms) for s in (1, -1))
    found = read_figures(H, down[None], 0.0, H, up[None])
    assert one(found, "loop_energy_J_per_m3") == pytest.approx(MU0 * 4 * Hc * Ms, rel=1e-6)
