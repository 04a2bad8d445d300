"""The first second: a change that dies away is no noise, and hands at work are not the bench."""

import numpy as np
import pytest

from tests.support.models.streams import stream
from weighloop.analysis.settling import SettlingFilter
from weighloop.analysis.settling.first_look import FirstLook

MG = 1e-6


def first_taken(values: np.ndarray, interval: float = 0.1) -> list[int]:
    look = FirstLook()
    return [k for k, y in enumerate(values) if look.feed(interval * k, float(y)) is not None]


def test_a_bench_at_rest_is_taken_after_a_second() -> None:
    rng = np.random.default_rng(1)
    assert first_taken(rng.normal(0, 1, 300)) == [10]


def test_a_breath_is_no_change_that_dies_away() -> None:
    t = 0.1 * np.arange(300)
    taken = first_taken(20 * np.sin(2 * np.pi * 0.2 * t + 0.3))
    assert len(taken) == 1
    assert taken[0] <= 20


@pytest.mark.parametrize("depth", [4, 5, 6, 15, 40])
def test_the_turning_of_a_breath_is_no_calmer_bench(depth: int) -> None:
    # rounded to the digit a slow breath stands for a second where it turns
    t = 0.1 * np.arange(300)
    for start in np.linspace(0, 2 * np.pi, 13):
        assert len(first_taken(np.round(depth * np.sin(2 * np.pi * 0.12 * t + start)))) == 1


def test_hands_that_moved_the_reading_no_further_than_a_breath_are_taken_back_when_it_stands() -> None:
    values = np.concatenate([np.tile([0.0, 60.0], 6), np.full(100, 60.0)])
    taken = first_taken(values)
    assert taken[0] <= 12
    assert 30 <= taken[-1] <= 45


@pytest.mark.parametrize("seconds", [1.2, 2.0, 4.0])
def test_the_noise_is_not_learnt_while_the_reading_goes_one_way(seconds: float) -> None:
    n = int(10 * seconds)
    values = np.concatenate([np.linspace(0, 90, n), np.full(100, 90.0)])
    assert first_taken(values)[0] > n


@pytest.mark.parametrize("time", [0.2, 0.5, 1.0])
def test_the_noise_is_not_learnt_while_a_change_dies_away(time: float) -> None:
    t = 0.1 * np.arange(200)
    taken = first_taken(5000 * np.exp(-t / time))
    # by then what is left of the change is about the few digits that a bench at rest spreads over
    assert 5000 * np.exp(-(t[taken[-1]] - 1.0) / time) < 40


def test_a_second_of_hands_is_taken_back() -> None:
    rng = np.random.default_rng(2)
    values = np.concatenate([rng.uniform(-3000, 3000, 20), rng.normal(900, 0.5, 200)])
    taken = first_taken(values)
    assert taken[0] < 20
    assert 20 < taken[-1] <= 32


@pytest.mark.parametrize("number", range(6))
def test_a_stream_that_begins_while_the_sample_is_put_down(number: int) -> None:
    # seeded streams and their own truth; the benchmark has hundreds
    s = stream(7, "begun, quiet", number, after=30.0)
    f = SettlingFilter(s.digit * MG, s.target * MG)
    states = (f.feed(t, y * MG) for t, y in zip(s.arrival, s.reading, strict=True))
    accepted = next((x for x in states if x.accepted and x.at > s.hand + 0.3), None)
    assert accepted is not None
    assert accepted.at > s.released
    assert abs(accepted.value / MG - s.level(accepted.at)) < 4 * accepted.u / MG


@pytest.mark.costly
@pytest.mark.parametrize("number", range(4))
def test_a_slow_balance_filter_is_waited_for_and_no_noise_is_learnt_from_it(number: int) -> None:
    # seeded streams through a filter of 3 s: its way to the load is as long as the patience with noise
    s = stream(7, "filter of 3 s", number, after=30.0)
    f = SettlingFilter(s.digit * MG, s.target * MG)
    states = (f.feed(t, y * MG) for t, y in zip(s.arrival, s.reading, strict=True))
    after = [x for x in states if x.level_since is not None and x.level_since > s.hand and x.accepted]
    assert after
    assert after[0].at < s.released + 20
    assert abs(after[0].value / MG - s.level(after[0].at)) < 5 * after[0].u / MG
