"""How long a bench is watched before a reading is believed: today's breathing, and what came by again."""

from functools import cache

import numpy as np
import pytest

from tests.support.models.streams import stream
from weighloop.analysis.settling import NoiseMemory, Settling, SettlingFilter
from weighloop.analysis.settling.settings import QUIET_SINCE, WATCH_QUIET

MG = 1e-6


def shown(values: np.ndarray, memory: NoiseMemory | None = None) -> tuple[list[Settling], SettlingFilter]:
    """What a filter says of readings in mg, ten a second, and the filter."""
    f = SettlingFilter(MG, 2 * MG, memory)
    return [f.feed(0.1 * k, round(v) * MG) for k, v in enumerate(values)], f


def noise(n: int, seed: int) -> np.ndarray:
    return np.random.default_rng(seed).normal(0, 0.7, n)


def breath(n: int, depth: float, phase: float = 0.0) -> np.ndarray:
    return depth * np.sin(2 * np.pi * 0.2 * 0.1 * np.arange(n) + phase)


@cache
def learnt(depth: float = 0.0) -> NoiseMemory:
    """What a bench is known for after a minute and a half, of breath of a ``depth``."""
    return shown(breath(900, depth) + noise(900, 1))[1].memory()


@pytest.mark.parametrize("phase", np.linspace(0, 5.5, 12))
def test_a_known_bench_is_watched_for_the_breathing_of_today(phase: float) -> None:
    states, _ = shown(50 + breath(300, 8, phase) + noise(300, 2), learnt(8.0))
    accepted = next(s for s in states if s.accepted)
    assert accepted.value == pytest.approx(50 * MG, abs=4 * accepted.u)


def test_a_calm_known_bench_is_believed_when_it_was_watched() -> None:
    states, _ = shown(50 + noise(60, 3), learnt())
    assert WATCH_QUIET <= 0.1 * next(k for k, s in enumerate(states) if s.accepted) < WATCH_QUIET + 0.5


def test_a_level_taken_up_again_must_be_quiet_from_then_on() -> None:
    values = np.concatenate([np.zeros(18), [30, 80, 90, 60, 20], np.zeros(40)])
    states, _ = shown(1000 + values + noise(len(values), 4), learnt())
    events = [(k, s.event) for k, s in enumerate(states) if s.event]
    assert [event for _, event in events] == ["level", "moving", "level"]
    taken_up = events[-1][0]
    accepted = next(k for k, s in enumerate(states) if s.accepted)
    assert states[accepted].level_since == 0.0
    assert accepted - taken_up >= 10 * QUIET_SINCE


def test_a_small_change_that_pauses_is_no_level_yet() -> None:
    # hands hold a light sample over the pan, through a balance filter of 3 s
    way = np.interp(np.arange(160), [0, 60, 76, 82, 112, 160], [0, 0, -40, -40, -160, -160])
    states, _ = shown(1000 + way + noise(160, 5) / 2, learnt())
    paused = [s for s in states[76:86] if s.accepted and s.level_since is not None and s.level_since > 6.0]
    assert not paused
    assert states[-1].accepted
    assert states[-1].value == pytest.approx(840 * MG, abs=4 * states[-1].u)


@pytest.mark.parametrize("number", [4, 17])
def test_a_breath_that_is_held_and_let_go_is_not_taken_for_changes_of_load(number: int) -> None:
    s = stream(75, "breath held", number)
    f = SettlingFilter(s.digit * MG, s.target * MG)
    for t, y in zip(s.arrival, s.reading, strict=True):
        state = f.feed(t, y * MG)
        if state.accepted and t > s.released and state.level_since > s.hand:
            assert state.value / MG == pytest.approx(s.level(state.at), abs=3 * state.u / MG)
            return
