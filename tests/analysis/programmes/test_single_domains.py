"""Reversal curves of single-domain particles, whose curves are known in closed form, from their pulls.

E. C. Stoner and E. P. Wohlfarth, Phil. Trans. R. Soc. A 240 (1948) 599 (from memory). Pulled is the second
bench's disc, whose particles share nothing with the analysis.
"""

from __future__ import annotations

import numpy as np
import pytest
from scipy.special import ndtr

from tests.analysis.programmes.test_curves import MAGNET, PELLET, bench, top
from tests.benchmarks.programmes import ridge
from tests.support.models.programmes import led, readings, weighed
from tests.support.models.single_domains import Particles, astroid, up_branch
from weighloop.analysis.forces.force import force_per_kg
from weighloop.analysis.programmes import curves
from weighloop.analysis.programmes.history_fit import HistoryFit, fit_history
from weighloop.analysis.programmes.path import plan_programme
from weighloop.analysis.programmes.programme import programme
from weighloop.analysis.programmes.settings import MISFIT

ALIGNED = Particles(anisotropy=107e3, spread=0.25, aligned=True)
AT_RANDOM = Particles(anisotropy=180e3, axes=6, fields=12)


def fitted(material: Particles, points: int, *, slips: bool = True) -> HistoryFit:
    run = weighed(MAGNET, PELLET, material, plan_programme(bench(), programme("reversal"), points))
    table = readings(run, 3, attraction=-1.0, gravity=force_per_kg(bench().site))
    return fit_history(table, bench(), draws=200, slips=slips)


def test_particles_turn_and_rotate_as_published() -> None:
    """Aligned they turn at the anisotropy field, at 45 degrees at half of it; at random they keep half of the
    saturation, and their coercivity is 0.482 of it where all have one (the 0.479 of 1948 was by hand)."""
    np.testing.assert_allclose(astroid(np.array([0.0, 0.25 * np.pi])), [1.0, 0.5])
    for psi, h in ((0.4, -0.3), (0.4, 1.5), (1.2, 0.2)):
        phi = np.arccos(up_branch(psi, np.array([h]))[0])
        assert np.sin(2.0 * (phi - psi)) / 2.0 + h * np.sin(phi) == pytest.approx(0.0, abs=1e-4)
    alike = Particles(anisotropy=100e3, spread=0.01, axes=30)
    assert led(alike, [2e6, 0.0])[-1] == pytest.approx(0.5 * alike.saturation, rel=1e-6)
    H = np.linspace(-60e3, -40e3, 201)
    assert -np.interp(0.0, alike.major_descending(H), H) == pytest.approx(48.2e3, rel=0.01)


@pytest.mark.slow
def test_aligned_particles_give_their_reversal_curves_back() -> None:
    """Of square loops M = Ms (1 - 2 (F(-Hr) - F(H))) on the way up from Hr, F the share of the particles that
    turn in less. No particle feels another, so that all lie on a line of the map: that is found, the first
    passage is no slip, and the curves hold within what is stated."""
    history = fitted(ALIGNED, 10)
    assert history.misfit < 0.5
    assert history.warnings == ()
    found = curves.reversal(history)
    largest = top(history)

    def turned(field: np.ndarray) -> np.ndarray:
        return ndtr(np.log(np.maximum(field, 1.0) / ALIGNED.anisotropy) / ALIGNED.spread)

    H, M = found.curves.H, found.curves.M
    down = turned(-H[:, :1])
    # Those that the largest field did not turn stay as they were: half up, half down.
    true = ALIGNED.saturation * (turned(np.array([largest])) - 2.0 * np.maximum(down - turned(H), 0.0))
    np.testing.assert_allclose(led(ALIGNED, [largest, *H[5]])[1:], true[5], atol=1.0)
    off = np.abs(M - true) / np.hypot(found.curves.u_M, 1e-3 * ALIGNED.saturation)
    assert np.mean(off < 2.0) > 0.92
    assert np.mean(off < 3.0) > 0.98
    # Its ridge is where most particles turn: the mode of a log-normal law.
    step = found.fields[1] - found.fields[0]
    at = step * (ridge(np.where(found.known, found.density, 0.0), -1)[0] - 0.5 * len(found.fields))
    assert abs(at - ALIGNED.anisotropy * np.exp(-(ALIGNED.spread**2))) < step
    assert abs(found.interaction) < step


@pytest.mark.slow
def test_particles_that_rotate_are_no_hysterons_and_nothing_is_claimed_of_them() -> None:
    """What rotates reversibly of axes at random goes with what has turned over: no density gives that. It is
    seen, and the curves stay within their wider bands."""
    history = fitted(AT_RANDOM, 7, slips=False)
    assert history.misfit > MISFIT
    found = curves.reversal(history)
    largest = top(history)
    true = np.array([led(AT_RANDOM, [largest, *H])[1:] for H in found.curves.H])
    assert np.mean(np.abs(found.curves.M - true) < 2.0 * found.curves.u_M) > 0.92
