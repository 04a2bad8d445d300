"""What readings at rest say of a bench: against the noise they were made with, and what u makes of it."""

import json
from dataclasses import replace

import numpy as np
import pytest
from scipy.signal import lfilter

from tests.support.models.bench_disturbances import RATE, draught, stays
from weighloop.analysis.settling import NoiseMemory, SettlingFilter
from weighloop.analysis.settling.bench_past import BenchPast, learn_past
from weighloop.analysis.settling.stated_uncertainty import jumped, of_a_known_bench, slow_noise

MG = 1e-6


def rests(
    made: np.ndarray, rate: float = 10.0, digit: float = 0.1
) -> list[tuple[np.ndarray, np.ndarray, bool]]:
    """Stretches of two minutes of readings (kg) of ``made`` (digits of 1 mg at RATE)."""
    y = made[:: int(RATE / rate)]
    n = int(120 * rate)
    t = np.arange(n) / rate
    return [(t, np.round(part / digit) * digit * MG, True) for part in y[: len(y) // n * n].reshape(-1, n)]


def test_white_noise_is_no_slow_noise() -> None:
    rng = np.random.default_rng(1)
    p = learn_past(rests(rng.normal(0, 3, int(1200 * RATE))), 0.1 * MG)
    assert p.jumps == 0
    # of 3 mg at 10 a second, the part below 1/15 Hz alone is 0.35 mg (Parseval); it is not slow, only white
    assert all(w < 0.2 * MG for w in p.wander)
    assert p.drift < 0.01 * MG
    assert p.handlings == 10


def test_a_draught_has_the_power_it_was_made_with() -> None:
    rng = np.random.default_rng(2)
    made, _ = draught(rng, int(6000 * RATE), 2.0, 1.2, 1000.0)
    p = learn_past(rests(made), 0.1 * MG)
    f = np.fft.rfftfreq(len(made), 1 / RATE)
    power = np.abs(np.fft.rfft(made)) ** 2 * 2 / len(made) ** 2
    for k, (low, high) in enumerate([(1 / 150, 1 / 45), (1 / 45, 1 / 15)]):
        truth = np.sqrt(power[(f >= low) & (f < high)].sum())
        assert p.wander[k + 1] / MG == pytest.approx(truth, rel=0.45)


def test_the_law_that_a_bound_is_told_is_of_the_draught_that_is_made() -> None:
    # the mean products of what is drawn, against the law (Wiener 1930, Khinchin 1934)
    rng = np.random.default_rng(5)
    made, laws = zip(*(draught(rng, int(120 * RATE), 2.0, 1.2) for _ in range(60)), strict=True)
    x = np.array(made)
    for lag in (0, 50, 200):
        seen = float(np.mean(x[:, : x.shape[1] - lag] * x[:, lag:]))
        assert seen == pytest.approx(laws[0][lag], rel=0.2)


def test_steps_that_come_and_go_are_counted_sized_and_timed() -> None:
    rng = np.random.default_rng(3)
    made = 12 * stays(rng, int(3600 * RATE), 15.0, 45.0, (0.2, 0.7)) + rng.normal(0, 0.5, int(3600 * RATE))
    p = learn_past(rests(made), 0.1 * MG)
    there = np.abs(made) > 6
    assert p.jump_share == pytest.approx(there.mean(), rel=0.35)
    assert p.jump_size / MG == pytest.approx(12, rel=0.25)
    assert 8 < p.jump_stay < 40


def test_steps_are_seen_beside_somebody_who_breathes() -> None:
    rng = np.random.default_rng(11)
    t = np.arange(int(3600 * RATE)) / RATE
    there = t % 150 < 60
    gone = lfilter([0.003], [1, -0.997], 5.0 * there)  # the room's air: 3 s at RATE
    breath = 4 * np.sin(2 * np.pi * (0.3 * t + 0.5 * np.sin(0.11 * t)))
    p = learn_past(rests(gone + breath + rng.normal(0, 0.5, len(t))), 0.1 * MG)
    assert p.jump_size / MG == pytest.approx(5.0, rel=0.2)
    assert 0.2 < p.jump_share < 0.6
    assert learn_past(rests(breath + rng.normal(0, 0.5, len(t))), 0.1 * MG).jumps == 0


def test_what_is_slower_than_every_stretch_shows_in_how_their_lines_lean_but_a_drift_does_not() -> None:
    rng = np.random.default_rng(12)
    t = np.arange(int(7200 * RATE)) / RATE
    noise = rng.normal(0, 0.3, len(t))
    waves = sum(np.sin(2 * np.pi * (f * t + rng.random())) for f in (1 / 450, 1 / 390, 1 / 330))
    slow = learn_past(rests(noise + 3 * waves), 0.1 * MG)
    assert slow.wander[0] / MG == pytest.approx(3 * np.sqrt(3 / 2), rel=0.35)
    drifting = learn_past(rests(noise + 0.02 * t), 0.1 * MG)
    assert drifting.wander[0] < 0.2 * MG
    assert drifting.drift / MG == pytest.approx(0.02, rel=0.05)


def test_creep_after_handling_is_measured() -> None:
    t = np.arange(1200) / 10
    rng = np.random.default_rng(4)
    made = [20 * np.exp(-t / 6) * rng.choice([-1, 1]) + rng.normal(0, 0.5, 1200) for _ in range(8)]
    p = learn_past([(t, y * MG, True) for y in made], 0.1 * MG)
    # the decay's mean from 2 to 5 s after the handling, and a median as if sizes were normal (0.6745 sigma)
    assert p.creep / MG == pytest.approx(20 * np.mean(np.exp(-np.linspace(2, 5, 50) / 6)) / 0.6745, rel=0.1)
    assert learn_past([(t, made[0] * MG, False)], 0.1 * MG).handlings == 0


def test_damaged_lines_gaps_and_short_stretches_do_not_count() -> None:
    rng = np.random.default_rng(5)
    clean = rests(rng.normal(0, 1, int(1200 * RATE)))
    spoilt = []
    for t, y, handled in clean:
        y = y.copy()
        y[rng.integers(0, len(y), 5)] = 4.0
        y[300:330] = np.nan
        spoilt.append((t, y, handled))
    a, b = learn_past(clean, 0.1 * MG), learn_past(spoilt, 0.1 * MG)
    assert b.jumps == 0
    assert max(b.wander) < 3 * max(a.wander) + 0.05 * MG
    assert learn_past([(np.arange(20.0), np.zeros(20), True)], MG) is None
    assert learn_past([], MG) is None


def test_it_goes_through_json_and_strangers_are_refused() -> None:
    rng = np.random.default_rng(6)
    p = learn_past(rests(rng.normal(0, 1, int(600 * RATE))), 0.1 * MG)
    assert BenchPast.from_dict(json.loads(json.dumps(p.to_dict()))) == p
    for bad in (None, {}, {**p.to_dict(), "wander": [1.0]}, {**p.to_dict(), "drift": -1.0}, {"seconds": "x"}):
        assert BenchPast.from_dict(bad) is None
    memory = NoiseMemory((1e-6,), (0.0,), (9.0,), 0.1, p)
    assert NoiseMemory.from_dict(json.loads(json.dumps(memory.to_dict()))) == memory


CALM = BenchPast(3600.0, (0.0, 0.0, 0.0), 0, 0.0, 0.0, 0.0, 0.0, 0.0, 20)


def stated(past: BenchPast | None, seconds: float = 20.0, target: float = 0.05) -> list[float]:
    """u (mg) of every state on a quiet stream of 1 mg."""
    f = SettlingFilter(MG, target * MG, NoiseMemory((), (), (), past=past))
    values = 500 + np.random.default_rng(7).normal(0, 0.8, int(seconds * 10))
    states = [f.feed(0.1 * k, round(v) * MG) for k, v in enumerate(values)]
    return [s.u / MG for s in states if s.u is not None]


def test_a_calm_past_narrows_and_a_restless_one_widens() -> None:
    calm, unknown = stated(CALM), stated(None)
    draughty = stated(replace(CALM, wander=(2 * MG, 2 * MG, 2 * MG)))
    leaning = stated(replace(CALM, jumps=20, jump_size=30 * MG, jump_share=0.2, jump_stay=10.0))
    assert calm[30] < unknown[30]
    # the bands' own power where the level is young, less of the quick ones where it is old
    assert draughty[0] > 2 * np.sqrt(3) * 0.9
    assert 2 < draughty[-1] < draughty[0]
    assert leaning[30] > 5
    assert leaning[-1] < leaning[30]


def test_too_short_a_past_is_left_alone() -> None:
    assert stated(replace(CALM, seconds=100.0)) == stated(None)


def test_the_chance_of_a_jump_falls_as_the_level_stands() -> None:
    # outside route: a two-state process simulated by its exponential times
    rng = np.random.default_rng(8)
    past = replace(CALM, jumps=10, jump_size=MG, jump_share=0.3, jump_stay=8.0)
    there = rng.random(200_000) < 0.3
    left = rng.exponential(8.0, len(there))
    for age in (0.0, 5.0, 20.0):
        standing = ~there | (left > age)  # a level that ended is another level
        chance = (there & standing).sum() / standing.sum()
        expected = chance + (0.51 * chance / (chance + 1e-3)) ** 2
        assert jumped(past, MG, age) == pytest.approx(expected, rel=0.05)


def test_what_is_left_of_slow_noise_is_never_less_than_what_a_mean_leaves() -> None:
    # outside route: means over 30 s of made noise of one band
    rng = np.random.default_rng(9)
    white = rng.normal(0, 1, 400_000)
    spectrum, f = np.fft.rfft(white), np.fft.rfftfreq(len(white))
    spectrum[(f < 1 / 45) | (f >= 1 / 15)] = 0
    made = np.fft.irfft(spectrum)
    made /= made.std()
    past = replace(CALM, wander=(0.0, 0.0, MG))
    for age in (5, 15):
        means = lfilter(np.ones(age) / age, [1.0], made)[age:]
        assert np.var(means) < slow_noise(past, MG, age) < 2.2 * np.var(means)


def test_models_with_draughts_are_believed_in_full_once_the_bench_is_more_restless_than_its_past() -> None:
    models, learnt = np.array([0.2, 0.8]), 0.3
    usual = of_a_known_bench(models, learnt, 1.0, 0.0)
    restless = of_a_known_bench(models, learnt, 1.0, 1e-6)
    assert learnt < usual < learnt + models.sum()
    assert restless > usual + 0.5
    assert of_a_known_bench(models, learnt, 2.0, 0.0) > usual
    assert of_a_known_bench(models, 2 * learnt, 1.0, 0.0) == pytest.approx(usual + learnt)


def test_a_draught_that_the_past_never_saw_is_believed_in_full_where_nothing_else_explains_it() -> None:
    # all that is seen is a draught (the models without have no weight), on a bench that was always calm
    assert of_a_known_bench(np.array([0.001, 1.0]), 0.01, 1.0, 0.0) > 0.95
    # the past knows of as much, or other models explain it as well: in part
    assert of_a_known_bench(np.array([0.001, 1.0]), 2.0, 1.0, 0.0) < 2.5
    assert of_a_known_bench(np.array([1.0, 1.0]), 0.01, 1.0, 0.0) < 0.8
    # more of the past's noise never makes a level known better
    stated = [of_a_known_bench(np.array([0.1, 1.0]), slow, 1.0, 0.0) for slow in np.linspace(0, 2, 41)]
    assert np.all(np.diff(stated) >= 0)
