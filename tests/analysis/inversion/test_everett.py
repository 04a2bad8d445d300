"""Mass below places and between two of them, against counting grains laid evenly on steps and cells."""

from __future__ import annotations

import numpy as np
import pytest

from weighloop.analysis.inversion.everett import Cells, Steps, Triangles, steps_below

CELLS, FINE = 6, 60
#: On a fine grid, so that grains are counted wholly.
PLACES = np.array([0.0, 0.4, 1.0, 2.3, 2.7, 3.0, 5.9, 6.0])


def grains() -> tuple[np.ndarray, np.ndarray, np.ndarray, np.ndarray]:
    """Middles of a fine lattice's squares (alpha, beta), the cell of each, and its share of the cell: on the
    diagonal all lies in the lower half."""
    middle = (np.arange(CELLS * FINE) + 0.5) / FINE
    alpha, beta = (a.ravel() for a in np.meshgrid(middle, middle, indexing="ij"))
    share = np.full(len(alpha), 1.0 / FINE**2)
    on = alpha.astype(int) == beta.astype(int)
    share[on] *= 2.0 * (alpha[on] > beta[on]) + (alpha[on] == beta[on])
    return alpha, beta, alpha.astype(int) * CELLS + beta.astype(int), share


def counted(high: float, low: float) -> np.ndarray:
    """What of every cell lies in the triangle from ``low`` to ``high``, by grains."""
    alpha, beta, cell, share = grains()
    inside = (alpha < high) & (beta > low)
    return np.bincount(cell[inside], share[inside], CELLS**2).reshape(CELLS, CELLS)


def test_mass_below_is_what_lies_on_the_steps_below() -> None:
    masses = np.array([3.0, 0.0, 1.0, 2.0, 0.5, 4.0])
    expected = [sum(m * np.clip(p - k, 0.0, 1.0) for k, m in enumerate(masses)) for p in PLACES]
    np.testing.assert_allclose(Steps(masses).below(PLACES), expected, atol=1e-12)
    weights = np.linspace(-1.0, 2.0, len(PLACES))[None, :]
    assert steps_below(PLACES[None, :], weights, CELLS) @ masses == pytest.approx(weights[0] @ expected)


def test_mass_between_places_is_counted() -> None:
    """From every place down to every other, those above it included."""
    masses = np.tril(np.random.default_rng(1).random((CELLS, CELLS)))
    high, low = (a.ravel() for a in np.meshgrid(PLACES, PLACES, indexing="ij"))
    found = Triangles(high, low, CELLS).mass(Cells(masses, np.zeros(CELLS // 2)))
    # Half of the squares that the hypotenuse cuts count, or none.
    for h, l, mass in zip(high, low, found, strict=True):
        assert mass == pytest.approx(np.sum(masses * counted(h, l)), abs=0.05), (h, l)
    np.testing.assert_allclose(found[high <= low], 0.0, atol=1e-15)


def test_what_lies_in_triangles_is_the_transposed() -> None:
    """Summed over the triangles of a row, as every cell's mass alone would be."""
    rng = np.random.default_rng(2)
    high, low = rng.uniform(0.0, CELLS, (2, 4, 5))
    which, rows, weights = np.array([0, 7, 12, 19, 7]), np.array([0, 1, 2, 0, 2]), rng.standard_normal(5)
    triangles = Triangles(high, low, CELLS)
    found = np.moveaxis(triangles.shares(which, weights, rows, 3), 2, 0)
    for a in range(CELLS):
        for b in range(a + 1):
            masses = np.zeros((CELLS, CELLS))
            masses[a, b] = 1.0
            of_each = weights * triangles.mass(Cells(masses, np.zeros(CELLS // 2))).ravel()[which]
            expected = np.bincount(rows, of_each, 3)
            np.testing.assert_allclose(found[:, a, b], expected, atol=1e-12)


def test_mass_on_the_line_is_counted() -> None:
    """On alpha = -beta from the middle outwards, by grains; and what of every step lies there."""
    masses = np.array([2.0, 0.5, 3.0])
    out = (np.arange(CELLS // 2 * FINE) + 0.5) / FINE
    high, low = (a.ravel() for a in np.meshgrid(PLACES, PLACES, indexing="ij"))
    triangles, none = Triangles(high, low, CELLS), np.zeros((CELLS, CELLS))
    inside = (CELLS / 2 + out < high[:, None]) & (CELLS / 2 - out > low[:, None])
    counted = np.array([np.bincount(out[row].astype(int), minlength=CELLS // 2) for row in inside]) / FINE
    np.testing.assert_allclose(triangles.mass(Cells(none, masses)), counted @ masses, atol=1e-12)
    all_of_them = np.arange(len(high))
    shares = triangles.line_shares(all_of_them, np.ones(len(high)), all_of_them, len(high))
    np.testing.assert_allclose(shares, counted, atol=1e-12)
