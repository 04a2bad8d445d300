"""Taps are counted exactly or not at all, and nothing else on a bench is taken for them.

The balance is the twin's: a damped 4 Hz system behind a moving mean, as in an electromagnetic balance; how
people tap (a third of a second to one and a half, some ten to a hundred grams) is common practice, no source.
"""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st

from tests.support.examples import examples
from weighloop.daemon.acquisition.tap_counter import Taps
from weighloop.drivers.twin.balance import BalanceMaker, BalanceTwin
from weighloop.drivers.twin.bench import TwinBench

RATE = 10.0


def heard(load: list[tuple[float, float]], noise: float = 1e-6, seed: int = 1) -> list[int]:
    """The counts heard in a load (seconds, kg) behind a balance's filter of 0.4 s."""
    rng = np.random.default_rng(seed)
    levels = np.concatenate([np.full(round(seconds * RATE), kg) for seconds, kg in load])
    shown = np.convolve(np.pad(levels, (3, 0), mode="edge"), np.ones(4) / 4, mode="valid")
    shown = np.round((shown + rng.normal(0, noise, len(shown))) / 1e-6) * 1e-6
    taps = Taps(0.22, 1e-6)
    counts = (
        taps.feed(10 + k / RATE, None if x > 0.22 else x, "overload" if x > 0.22 else "steady")
        for k, x in enumerate(shown.tolist())
    )
    return [count for count in counts if count is not None]


def test_taps_are_counted_whatever_their_strength_and_rhythm() -> None:
    for count in range(1, 8):
        for press in (0.02, 0.05, 0.1, 0.4):
            for down, pause in ((0.3, 0.5), (0.6, 0.6), (1.5, 1.5)):
                for level in (0.0, -0.05, 0.009):
                    tap = [(down, level + press), (pause, level)]
                    case = count, press, down, pause, level
                    assert heard([(3, level), *tap * count, (3, level)]) == [count], case


def test_nothing_else_is_taken_for_taps() -> None:
    tap = [(0.5, 0.03), (0.6, 0.0)]
    assert not any(heard([(3, 0.0), (4, 0.03), (0.6, 0.0), (4, 0.03), (8, 0.0)]))  # a hand leans on the pan
    assert not any(heard([(3, 0.0), (0.5, 0.005), (0.6, 0.0), (0.5, 0.005), (8, 0.0)]))  # too light
    assert not any(heard([(3, 0.0), *tap, (0.5, 0.005), (0.6, 0.0), *tap, (8, 0.0)]))  # one of them too light
    assert not any(heard([(3, 0.0), *tap, (0.5, 0.03), (8, 0.9e-3)]))  # a spacer was put down meanwhile
    assert not any(heard([(3, 0.0), (0.5, 0.03), (0.6, -0.15), (0.5, 0.03), (8, 0.0)]))  # the magnet lifted
    assert not any(heard([(0.3, 0.0), *tap, *tap, (8, 0.0)]))  # nothing stood still before
    assert not any(heard([(3, 0.0), *tap, (0.2, 0.0), (3.0, 0.03), (1.0, 0.0), *tap, (8, 0.0)]))  # leant on
    damaged = [(3, 0.0), *tap, *tap]
    for k in (20, 35, 41):  # a line that was damaged on the way stands alone, and no filter draws it out
        shown = [value for seconds, value in damaged for _ in range(round(seconds * RATE))] + [0.0] * 40
        shown[k] = 0.08
        taps = Taps(0.22, 1e-6)
        counts = {taps.feed(k / RATE, value, None) for k, value in enumerate(shown)} - {None}
        assert counts <= {0, 2}, (k, counts)


@pytest.mark.parametrize(
    ("dip", "count"),
    [
        ([0.027], 1),  # a finger that moves
        ([0.019, 0.019], 0),  # one press or two?
        ([0.0], 0),  # at the limit of what the readings show
        ([0.004, 0.004], 2),
    ],
)
def test_presses_that_run_into_each_other_are_not_guessed(dip: list[float], count: int) -> None:
    taps = Taps(0.22, 1e-6)
    shown = [*[0.0] * 30, *[0.03] * 4, *dip, *[0.03] * 4, *[0.0] * 20]
    counts = [taps.feed(k / RATE, value) for k, value in enumerate(shown)]
    assert [found for found in counts if found is not None] == [count]


def test_a_missing_reading_spoils_the_row() -> None:
    shown: list[float | None] = [*[0.1] * 30, *[0.13] * 5, *[0.1] * 6, *[0.13] * 5, *[0.1] * 25]
    for k in range(30, 50):
        taps = Taps(0.22, 1e-6)
        counts = [taps.feed(n / RATE, x, "steady") for n, x in enumerate([*shown[:k], None, *shown[k:]])]
        assert not any(counts), k
        taps = Taps(0.22, 1e-6)
        times = [n / RATE + (2.0 if n >= k else 0.0) for n in range(len(shown))]
        assert not any(taps.feed(t, x, "steady") for t, x in zip(times, shown, strict=True)), k


def test_an_overload_while_tapping_is_a_tap_and_a_silent_number_is_none() -> None:
    taps = Taps(0.22, 1e-6)
    shown: list[float | None] = [*[0.1] * 30, *[None] * 5, *[0.1] * 6, *[None] * 5, *[0.1] * 15]
    over = [taps.feed(k / RATE, x, "overload" if x is None else None) for k, x in enumerate(shown)]
    assert [count for count in over if count is not None] == [2]
    assert not any(taps.feed(k / RATE, x, "underload" if x is None else None) for k, x in enumerate(shown))


def test_a_press_that_just_passes_the_balances_end_is_one_tap() -> None:
    """Noise about the capacity: number, overload, number within one press."""
    over = [0.215, None, 0.216, None, None, 0.215]
    shown = [*[0.15] * 30, *over, *[0.15] * 6, *over, *[0.15] * 20]
    taps = Taps(0.22, 1e-6)
    counts = [taps.feed(k / RATE, x, "overload" if x is None else None) for k, x in enumerate(shown)]
    assert [count for count in counts if count is not None] == [2]


def test_the_row_under_way_is_told_as_it_is_tapped() -> None:
    taps, said = Taps(0.22, 1e-6), []
    shown = [*[0.0] * 30, *([*[0.03] * 4, *[0.0] * 6] * 3), *[0.0] * 20]
    for k, value in enumerate(shown):
        taps.feed(k / RATE, value)
        said.append((taps.began is not None, taps.heard))
    assert said[29] == (False, 0)
    assert [said[30 + 10 * n][1] for n in range(3)] == [0, 1, 2]
    assert said[55] == (True, 3)
    assert said[-1] == (False, 0)


def test_hands_at_work_and_a_shaken_bench_are_not_taken_for_taps() -> None:
    """Two hundred minutes of hands: 3 g about, blows of 5 g, and up to 30 g where something is set down."""
    rng = np.random.default_rng(5)
    taps, counts = Taps(0.22, 1e-6), []
    level, time = 0.0, 0.0
    for _ in range(200):
        level += rng.integers(-3, 4) * 0.9e-3
        work = (
            level
            + np.cumsum(rng.normal(0, 1.5e-3, 300)) * 0.3
            + (rng.random(300) < 0.03) * rng.normal(0, 0.03, 300)
        )
        calm = level + rng.normal(0, 1e-6, 300)
        for value in (*work.tolist(), *calm.tolist()):
            time += 0.1
            counts.append(taps.feed(time, value, None))
    assert not any(counts)


@pytest.mark.parametrize("seed", [1, 2, 3])
@pytest.mark.slow
def test_a_person_at_the_twin_says_nothing_by_the_way(seed: int) -> None:
    """An hour and more of placing, taking off, counting spacers, turning, re-zeroing, knocks and draughts."""
    rng = np.random.default_rng(seed)
    bench = TwinBench(seed, ladder="spacers")
    taps, counts, now = Taps(bench.scenario.balance.capacity * 1e-3, 1e-6), [], 0.0
    acts = {
        "remove-sample": lambda: {},
        "place-sample": lambda: {"orientation": int(rng.choice([1, -1]))},
        "turn-over": lambda: {},
        "set-spacers": lambda: {"n": int(rng.integers(0, len(bench.scenario.shims)))},
        "turn-magnet": lambda: {},
        "press-zero": lambda: {},
        "bump": lambda: {"grams": float(rng.normal(0, 8))},
        "draught": lambda: {"level": float(rng.uniform(0, 0.05))},
    }
    done = 0
    while bench.now < 3600.0:
        name = str(rng.choice(list(acts)))
        act = bench.begin({"do": name, **acts[name]()})
        until = bench.now + rng.exponential(4.0)  # now at once, now after a while
        while act.answer is None or bench.now < until:
            bench.advance(0.02)
            if bench.now - now >= 1 / bench.scenario.balance.rate:
                now, shown = bench.now, bench.balance.shown
                value = None if shown.value is None else shown.value * 1e-3
                counts.append(taps.feed(now, value, shown.mark))
        done += bool(act.answer["ok"])
    assert done > 250
    assert [count for count in counts if count and count >= 2] == []


# -- any count, rhythm, strength, balance -------------------------------------------------------------


def rows(down: tuple[float, float], pause: tuple[float, float]) -> st.SearchStrategy[list[tuple[float, ...]]]:
    """Two to seven taps: how long, the pause after, g."""
    tap = st.tuples(st.floats(*down), st.floats(*pause), st.floats(18.0, 110.0))
    return st.lists(tap, min_size=2, max_size=7)


balances = st.builds(
    BalanceMaker,
    rate=st.floats(5.0, 25.0),
    averaging=st.floats(0.1, 0.4),
    noise=st.floats(0.0002, 0.01),
    natural_frequency=st.floats(3.0, 8.0),
    damping=st.floats(0.6, 1.0 - 1e-6),
)
LAGGING = BalanceMaker(rate=10.0, averaging=0.3984, noise=0.0078, natural_frequency=3.0, damping=0.969)
SLOW = BalanceMaker(rate=5.0, averaging=0.375, noise=0.0078125, natural_frequency=3.0, damping=0.96875)


def counted(row: list[tuple[float, ...]], maker: BalanceMaker, breath: float, seed: int) -> list[int]:
    """What is heard of a row of taps on a pan that carries 60 g while somebody breathes over it."""
    rng, dt = np.random.default_rng(seed), 0.01
    balance = BalanceTwin(maker, np.random.SeedSequence(seed), dt)
    balance.settle(60.0)
    balance.press_zero()
    begin, presses = 3.0 + rng.uniform(), []
    for down, pause, grams in row:
        presses.append((begin, begin + down, grams))
        begin += down + pause
    taps, counts = Taps(maker.capacity * 1e-3, maker.resolution * 1e-3), []
    now, due, phase = 0.0, rng.uniform(0, 1 / maker.rate), rng.uniform(0, 2 * np.pi)
    while now < begin + 4.0:
        load = 60.0 + breath * np.sin(2 * np.pi * 0.27 * now + phase)
        balance.step(load + sum(grams for on, off, grams in presses if on <= now < off))
        if now >= due:
            due += 1 / maker.rate
            balance.refresh()
            shown = balance.shown
            value = None if shown.value is None else shown.value * 1e-3
            counts.append(taps.feed(100.0 + now, value, shown.mark))
        now += dt
    return [count for count in counts if count is not None]


@settings(max_examples=examples(60))
@given(rows((0.35, 1.0), (0.6, 1.0)), balances, st.floats(0.0, 0.05), st.integers(0, 2**31))
# A slow balance, still a little above where it stood when the next press comes.
@example([(0.75, 0.625, 105.0), (1.0, 1.0, 25.0)], SLOW, 0.0, 1)
def test_taps_in_an_even_rhythm_are_counted(
    row: list[tuple[float, ...]], maker: BalanceMaker, breath: float, seed: int
) -> None:
    assert counted(row, maker, breath, seed) == [len(row)]


#: What lasts no two readings may stay unseen: at fewer than ten a second even haste takes longer.
SEEN_WELL = 10.0


@settings(max_examples=examples(100))
@given(rows((0.2, 1.6), (0.25, 1.0)), balances, st.floats(0.0, 0.05), st.integers(0, 2**31))
# A short press that shows as a shoulder of the one after it, or before it.
@example([(1.0, 0.6, 18.0), (0.2, 0.25, 18.0), (1.0, 0.6, 18.0)], LAGGING, 0.0, 0)
@example([(1.0, 0.25, 30.0), (0.2, 0.6, 18.0), (1.0, 0.6, 18.0)], LAGGING, 0.0, 0)
def test_taps_in_haste_are_never_another_number(
    row: list[tuple[float, ...]], maker: BalanceMaker, breath: float, seed: int
) -> None:
    """One and none are no words: a row that is not sure has to be tapped again, and nothing came of it."""
    slower = max(1.0, SEEN_WELL / maker.rate)
    row = [(down * slower, min(pause * slower, 1.0), grams) for down, pause, grams in row]
    assert set(counted(row, maker, breath, seed)) <= {0, 1, len(row)}
