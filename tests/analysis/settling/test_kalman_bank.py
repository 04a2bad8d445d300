"""The bank against dense linear algebra, and the rounding error against quadrature."""

import math

import numpy as np
import pytest
from scipy.special import ndtr

from weighloop.analysis.settling import SettlingFilter, settings
from weighloop.analysis.settling import kalman_bank as bank_module
from weighloop.analysis.settling.kalman_bank import LEVEL, NOISE, PAIRS, Bank
from weighloop.analysis.settling.noise_shapes import Shapes, standard_shapes
from weighloop.analysis.settling.rounding import hidden_by_the_digit


def one_model(slow: float) -> Shapes:
    frequency, white, fast, fast_time, prior = (np.array([v]) for v in (0.0, 0.02, 1.0, 0.15, 0.0))
    return Shapes(frequency, white, fast, fast_time, np.full((3, 1), slow), prior)


def matern(lag: np.ndarray, time: float) -> np.ndarray:
    """Matern 3/2 correlation (Rasmussen and Williams 2006, Gaussian Processes, eq. 4.17)."""
    return (1 + lag / time) * np.exp(-lag / time)


def test_level_is_the_generalised_least_squares_level(monkeypatch) -> None:
    # outside route: the whole covariance matrix at once (Gauss-Markov), not a recursion
    monkeypatch.setattr(bank_module, "SCALE_DOF", 1e12)  # the noise scale is given, not learnt
    rng = np.random.default_rng(1)
    t = np.cumsum(rng.uniform(0.03, 0.4, 60))
    y = rng.normal(50, 2, 60)
    scale = settings.SCALE_PRIOR**2
    b = Bank(one_model(0.5), 0.0, 1.0)
    last = t[0]
    for at, value in zip(t, y, strict=True):
        b.predict(at - last)
        b.update(value, at - last)
        last = at
    lag = np.abs(t[:, None] - t[None, :])
    C = scale * matern(lag, 0.15) + np.eye(60) * (scale * 0.02 + 1 / 12)
    for time in settings.SLOW_TIMES:
        C += scale * 0.5 * matern(lag, time)
    back = t - t[-1]
    X = np.column_stack([np.ones(60), back])
    # the level's parts have priors: level wide, drift, two decays of creep; the drift wanders
    age = t - t[0]
    prior = [settings.WIDEST * scale, settings.DRIFT_PRIOR**2]
    for time in settings.CREEP_TIMES:
        X = np.column_stack([X, np.exp(-back / time)])
        prior.append((settings.CREEP_PRIOR * np.exp(-age[-1] / time)) ** 2)
    q = 2 * settings.DRIFT_WANDER**2 / settings.DRIFT_TIME
    low, high = np.minimum(age[:, None], age), np.maximum(age[:, None], age)
    wander = q * (low**2 * high / 2 - low**3 / 6)  # integrated random walk, from the start
    # write it from the end, where the level is asked for
    start = np.column_stack([np.ones(60), age])
    full = start @ np.diag(prior[:2]) @ start.T + wander + X[:, 2:] @ np.diag(prior[2:]) @ X[:, 2:].T
    end = full[-1, :] - X[-1, 2:] @ np.diag(prior[2:]) @ X[:, 2:].T  # level itself against readings
    variance = full[-1, -1] - X[-1, 2:] @ np.diag(prior[2:]) @ X[-1, 2:]
    solved = np.linalg.solve(C + full, np.column_stack([y, end]))
    assert b.x[LEVEL, 0] == pytest.approx(end @ solved[:, 0], rel=2e-5)
    assert b.scale[0] * b.P[LEVEL, LEVEL, 0] == pytest.approx(variance - end @ solved[:, 1], rel=1e-3)


def test_noise_states_stay_stationary() -> None:
    b = Bank(one_model(0.5), 0.0, 1.0)
    rates, values = slice(NOISE, PAIRS), slice(PAIRS + NOISE, 2 * PAIRS)
    before = b.P[rates, rates, 0].copy(), b.P[values, rates, 0].copy()
    for dt in (0.01, 0.1, 1.0, 10.0, 0.0, 1e-5):
        b.predict(dt)
    assert b.P[rates, rates, 0] == pytest.approx(before[0], rel=1e-6, abs=1e-9)
    assert b.P[values, rates, 0] == pytest.approx(before[1], rel=1e-6, abs=1e-9)


def test_the_right_breathing_wins() -> None:
    rng = np.random.default_rng(2)
    t = np.arange(0, 40, 0.1)
    phase = 2 * np.pi * 0.3 * t + np.cumsum(rng.normal(0, 0.05, len(t)))  # it wanders, as breathing does
    b = Bank(standard_shapes(), 0.0, 8.0)
    for k in range(len(t)):
        b.predict(0.1 if k else 0.0)
        b.update(8 * np.sin(phase[k]) + rng.normal(0, 0.5), 0.1)
    frequency, amplitude = b.swing()
    assert frequency == pytest.approx(0.3, rel=0.1)
    assert amplitude == pytest.approx(8, rel=0.2)


def test_the_parts_of_the_covariance_sum_to_the_mixture() -> None:
    # outside route: the law of total variance over states drawn from the mixture
    rng = np.random.default_rng(4)
    b = Bank(standard_shapes(), 0.0, 2.0)
    for _ in range(80):
        b.predict(0.1)
        b.update(rng.normal(0, 2), 0.1)
    mean, parts = b.level()
    rows = bank_module.LEVEL_STATES
    model = rng.choice(len(b.weight), 40000, p=b.weight)
    dof = settings.SCALE_DOF + b.count
    drawn = np.empty((len(model), len(rows)))
    for m in np.unique(model):
        P = b.P[np.ix_(rows, rows, [m])][..., 0] * b.scale[m] * dof[m] / (dof[m] - 2)
        chosen = model == m
        drawn[chosen] = rng.multivariate_normal(b.x[rows, m], (P + P.T) / 2, chosen.sum())
    assert np.all(np.abs(mean - drawn.mean(axis=0)) < 4 * drawn.std(axis=0) / np.sqrt(len(model)))
    assert np.sqrt(np.diag(parts.sum(axis=0))) == pytest.approx(drawn.std(axis=0), rel=0.03)
    draughty = b.shapes.slow[-1] > settings.DRAUGHTY
    assert parts[1, 0, 0] == pytest.approx(
        np.mean(np.where(draughty[model], drawn[:, 0] - mean[0], 0) ** 2), rel=0.1
    )


@pytest.mark.costly
def test_weights_sum_to_one_and_covariances_stay_proper() -> None:
    rng = np.random.default_rng(3)
    b = Bank(standard_shapes(), 0.0, 3.0)
    for _ in range(3000):
        dt = rng.choice([0.0, 1e-4, 0.1, 0.1, 0.1, 3.0])
        b.predict(dt)
        b.update(rng.normal(0, 2), dt)
    assert b.weight.sum() == pytest.approx(1)
    P = b.P.transpose(2, 0, 1)
    lowest = np.linalg.eigvalsh((P + P.transpose(0, 2, 1)) / 2).min(axis=1)
    assert np.all(lowest > -1e-6 * np.abs(P).max(axis=(1, 2)))
    assert np.all(np.isfinite(b.x))


@pytest.mark.parametrize("s", [0.6, 0.8, 1.2])
def test_hidden_part_is_not_understated(s: float) -> None:
    # outside route: the expected rounded value by summing the normal law over the digits
    offset = np.linspace(-0.5, 0.5, 401)
    k = np.arange(-12, 13)
    edges = ndtr((k[:, None] + 0.5 - offset) / s) - ndtr((k[:, None] - 0.5 - offset) / s)
    exact = np.sqrt(np.mean((k @ edges - offset) ** 2))
    seen = s**2 + 1 / 12  # variance of the shown digits, Sheppard
    shown = np.sqrt(seen) * np.tile([-1.0, 1.0], 50)
    assert hidden_by_the_digit(shown) >= exact
    assert hidden_by_the_digit(shown) < 0.3


def test_identical_digits_hide_a_whole_rectangle() -> None:
    # JCGM 100:2008 F.2.2.1: a digit of width d leaves d / sqrt(12)
    assert hidden_by_the_digit(np.full(20, 7.0)) == pytest.approx(1 / np.sqrt(12))


@pytest.mark.parametrize("seed", [3, 35, 99, 106])
def test_bursts_of_readings_and_great_steps_leave_numbers(seed: int) -> None:
    """Readings piled up at one time, breaths that begin and end, steps of 50 g: the worst a busy machine and
    hands can do. Covariances of seven digits then grew without end; found by such streams at random."""
    rng = np.random.default_rng(seed)
    heard = SettlingFilter(1e-6, 2e-6)
    time = level = 0.0
    for _ in range(6):
        level += rng.choice([0, 1e-6, 1e-3, 0.05, -0.02])
        noise, breath = rng.choice([0, 1e-7, 5e-7, 1e-5, 1e-3]), rng.choice([0, 0, 1e-6, 5e-5, 1e-3])
        turns = 2 * math.pi * rng.uniform(0.1, 0.6)
        heard.begin(time)
        for _ in range(int(rng.integers(20, 200))):
            time += rng.choice([0.1, 0.0, 1e-9, 0.02, 3.0], p=[0.65, 0.2, 0.05, 0.06, 0.04])
            reading = level + breath * math.sin(turns * time) + noise * rng.standard_normal()
            said = heard.feed(time, round(reading / 1e-6) * 1e-6)
            assert said.u is None or (math.isfinite(said.u) and math.isfinite(said.value or 0.0))
