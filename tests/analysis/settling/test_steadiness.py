"""Steadiness: what a known disturbance must be called, and figures against other routes."""

import json

import numpy as np
import pytest
from scipy.signal import lfilter, periodogram

from weighloop.analysis.errors import NotPossible
from weighloop.analysis.settling.steadiness import evenly, noise_spectrum, steadiness

MG = 1e-6
RATE = 10.0


def times(seconds: float = 120.0) -> np.ndarray:
    return np.arange(0, seconds, 1 / RATE)


def shown(values_mg: np.ndarray, digit: float = 1.0) -> np.ndarray:
    return np.round(values_mg / digit) * digit * MG


def test_white_noise_has_the_spectrum_and_deviation_of_white_noise() -> None:
    rng = np.random.default_rng(1)
    t = times(600)
    y = rng.normal(0, 3 * MG, len(t))
    s = steadiness(t, y, 0.1 * MG)
    # one-sided density of white noise of variance v at rate r: 2 v / r (Parseval)
    assert np.median(s.density[2:-1]) == pytest.approx(2 * (3 * MG) ** 2 / RATE, rel=0.15)
    # SP 1065, 3.2: Allan deviation of white noise falls as tau^-1/2
    at = np.interp([1.0, 9.0], s.tau, s.allan)
    assert at[0] / at[1] == pytest.approx(3.0, rel=0.25)
    assert at[0] == pytest.approx(3 * MG / np.sqrt(RATE), rel=0.1)
    assert s.noise == pytest.approx(3 * MG, rel=0.03)
    assert s.where == "the balance's own noise"
    assert s.breathing is None
    assert abs(s.drift) < 4 * s.u_drift


def test_spectrum_holds_the_power_a_periodogram_holds() -> None:
    rng = np.random.default_rng(2)
    y = lfilter([1.0], [1.0, -0.8], rng.normal(0, 1, 6000))
    f, s = noise_spectrum(y, 0.1)
    f2, s2 = periodogram(y, RATE, detrend="constant")  # scipy, another estimator
    assert np.sum(s) * f[1] == pytest.approx(np.sum(s2) * f2[1], rel=0.1)


def test_breathing_is_found_named_and_measured() -> None:
    rng = np.random.default_rng(3)
    t = times()
    phase = 2 * np.pi * 0.27 * t + np.cumsum(rng.normal(0, 0.02, len(t)))
    s = steadiness(t, shown(6 * np.sin(phase) + rng.normal(0, 1, len(t))), 1 * MG)
    assert s.breathing == pytest.approx(0.27, abs=0.015)
    assert s.breathing_amplitude == pytest.approx(6 * MG, rel=0.2)
    assert s.where == "breathing"
    assert "breathing at 0.27 Hz" in s.verdict
    assert any("draught shield" in a for a in s.advice)


def test_a_draught_is_called_one_and_a_shield_advised() -> None:
    rng = np.random.default_rng(4)
    t = times(300)
    wander = lfilter([1.0], [1.0, -np.exp(-0.1 / 6)], rng.normal(0, 1, len(t)))
    s = steadiness(t, shown(wander + rng.normal(0, 0.5, len(t))), 1 * MG)
    assert s.where == "draught"
    assert any("draught shield" in a for a in s.advice)


def test_vibration_is_called_vibration() -> None:
    rng = np.random.default_rng(5)
    t = times()
    s = steadiness(t, shown(8 * np.sin(2 * np.pi * 2.3 * t) + rng.normal(0, 1, len(t))), 1 * MG)
    assert s.where == "vibration"
    assert any("filter setting" in a for a in s.advice)


def test_drift_is_measured_with_an_honest_uncertainty() -> None:
    t = times()
    found = []
    for seed in range(30):
        rng = np.random.default_rng([6, seed])
        s = steadiness(t, shown(0.1 * t + rng.normal(0, 2, len(t))), 1 * MG)
        found.append((s.drift / MG - 0.1) / (s.u_drift / MG))
        assert s.where == "drift"
        assert "drift +" in s.verdict
    # 30 standardised errors of spread 1: their rms lies in 0.7 .. 1.4 (chi squared, 99.8 %)
    assert 0.6 < np.sqrt(np.mean(np.square(found))) < 1.4


def test_only_the_last_digit() -> None:
    t = times(30)
    s = steadiness(t, shown(np.full(len(t), 12345.3)), 1 * MG)
    assert s.where == "the last digit"
    assert s.noise >= MG / np.sqrt(12) * 0.99  # rounding hides this much (rectangle, JCGM 100 F.2.2.1)
    assert "steady" in s.verdict


def test_damaged_lines_and_a_gap_do_not_count() -> None:
    rng = np.random.default_rng(7)
    t = times(200)
    y = shown(rng.normal(0, 1, len(t)))
    clean = steadiness(t[500:], y[500:], 1 * MG)
    y[[700, 900, 1500]] = 5.0  # a line read wrongly as 5 kg
    y[1000] = np.nan
    t[500:] += 30.0
    s = steadiness(t, y, 1 * MG)
    assert s.noise == pytest.approx(clean.noise, rel=0.1)
    grid, _, interval = evenly(t, y, 1 * MG)
    assert interval == pytest.approx(0.1, rel=1e-3)
    assert grid[0] == pytest.approx(t[500], abs=0.2)


def test_repeated_and_reversed_times_are_left_out() -> None:
    t = np.concatenate((np.arange(0, 10, 0.1), [9.0, 9.5], np.arange(10, 20, 0.1)))
    grid, values, _ = evenly(t, np.zeros(len(t)), MG)
    assert len(grid) == len(values) == 200


def test_too_little_says_how_much_is_needed() -> None:
    with pytest.raises(NotPossible, match="16 are needed"):
        steadiness(np.arange(5.0), np.zeros(5), MG)


def test_json_is_plain_numbers_with_units_in_the_keys() -> None:
    t = times(30)
    s = steadiness(t, shown(np.random.default_rng(8).normal(0, 2, len(t))), MG)
    back = json.loads(json.dumps(s.to_json(), allow_nan=False))
    assert back["noise_kg"] == s.noise
    assert len(back["tau_s"]) == len(back["allan_kg"])
    assert s.words[0] == s.verdict
