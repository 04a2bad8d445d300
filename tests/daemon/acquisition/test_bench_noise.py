"""A bench's noise is learnt at rest, kept in the log by balance and place, and given back at a start."""

from dataclasses import replace
from typing import Any

import numpy as np
import pytest

from tests.support.bench.virtual_bench import BENCH_TEXT
from weighloop.analysis.files.bench_file import parse_bench
from weighloop.daemon.acquisition.bench_noise import BenchNoise
from weighloop.daemon.acquisition.level import Acquisition, PanLimits
from weighloop.daemon.acquisition.rest import RestWatch
from weighloop.daemon.store.store import Store
from weighloop.drivers.device import BalanceReading

MG = 1e-6
BENCH = parse_bench(BENCH_TEXT.format(ladder="lift"), "bench file")


class Log:
    """Keeps what is noted."""

    def __init__(self) -> None:
        self.entries: list[tuple[str, str, dict[str, Any]]] = []

    def __call__(self, kind: str, text: str, *, data: dict[str, Any]) -> None:
        self.entries.append((kind, text, data))


def readings(values: np.ndarray, start: float = 0.0) -> list[BalanceReading]:
    return [BalanceReading(start + 0.1 * k, round(v) * MG, "steady", b"") for k, v in enumerate(values)]


def learnt_over(seconds: int, wander: float, log: Log | None = None) -> tuple[BenchNoise, Acquisition, Log]:
    log = log or Log()
    noise = BenchNoise(log)
    acquisition = Acquisition(MG, MG, PanLimits(), noise.use(BENCH, None))
    rng = np.random.default_rng(1)
    slow = np.interp(
        np.arange(seconds * 10), np.arange(0, seconds * 10, 150), rng.normal(0, wander, seconds // 15)
    )
    for reading in readings(5000 + slow + rng.normal(0, 0.7, seconds * 10)):
        noise.feed(reading, at_rest=True)
        if reading.time > seconds - 20:
            acquisition.feed(reading)
    return noise, acquisition, log


def test_what_was_learnt_is_written_down_and_given_back(tmp_path) -> None:
    noise, acquisition, log = learnt_over(600, wander=3.0)
    noise.learn(acquisition)
    ((kind, text, data),) = log.entries
    assert kind == "noise"
    assert "slow noise" in text
    assert "10 min at rest" in text
    with Store(tmp_path / "store.sqlite") as store:
        store.append([(None, 1.0, "2026-01-01T00:00:00Z", kind, text, data, None)])
        store.append([(None, 2.0, "2026-01-01T00:00:01Z", "note", "something else", {}, None)])
        again = BenchNoise(Log())
        again.take_up(store.last_data)
    memory = again.use(BENCH, None)
    assert memory is not None
    assert memory.past is not None
    assert memory.past.seconds == pytest.approx(600, abs=2)
    assert 1 * MG < np.sqrt(np.sum(np.square(memory.past.wander))) < 6 * MG
    moved = replace(BENCH, site=replace(BENCH.site, altitude=replace(BENCH.site.altitude, value=500.0)))
    assert again.use(moved, None) is None
    other = replace(BENCH, balance=replace(BENCH.balance, resolution=1e-7))
    assert again.use(other, None) is None


def test_the_past_of_a_draughty_bench_widens_the_next_reading() -> None:
    stated = []
    for wander in (0.0, 4.0):
        noise, acquisition, _ = learnt_over(600, wander)
        fresh = Acquisition(MG, MG, PanLimits(), noise.use(BENCH, acquisition))
        for reading in readings(9000 + np.random.default_rng(2).normal(0, 0.7, 60), start=2000.0):
            fresh.feed(reading)
        assert fresh.settling is not None
        assert fresh.settling.u is not None
        stated.append(fresh.settling.u / MG)
    assert stated[0] < 1
    assert stated[1] > 2


def test_entries_of_another_program_are_left_alone() -> None:
    noise = BenchNoise(Log())
    noise.take_up(lambda kind, count: [{}, {"balance": "x", "memory": {"scales": "?"}}, {"memory": None}])
    assert noise.use(BENCH, None) is None


def test_hands_moves_and_silence_end_a_stretch() -> None:
    rng = np.random.default_rng(3)
    watch = RestWatch(MG)
    values = rng.normal(0, 0.7, 3000)
    for k, reading in enumerate(readings(values)):
        shifted = replace(
            reading, value=reading.value + (3000 * MG if k >= 1500 else 0.0)
        )  # a load was put on
        watch.feed(shifted, at_rest=not 700 <= k < 900)  # the lift moves
    past = watch.learnt()
    assert past is not None
    assert past.handlings == 2
    assert past.seconds == pytest.approx(280, abs=3)
    assert past.jumps == 0
    assert watch.learnt() is None
    for reading in readings(values[:900]):
        watch.feed(replace(reading, time=reading.time + (50.0 if reading.time > 45 else 0.0)), at_rest=True)
    silent = watch.learnt()
    assert silent is not None
    assert silent.handlings == 0
    assert silent.seconds == pytest.approx(90, abs=2)


def test_what_is_known_is_joined_by_time() -> None:
    noise, acquisition, log = learnt_over(600, wander=3.0)
    noise.learn(acquisition)
    for reading in readings(5000 + np.random.default_rng(4).normal(0, 0.7, 6000), start=700.0):
        noise.feed(reading, at_rest=True)
    noise.learn(acquisition)
    first, second = (np.square(entry[2]["memory"]["past"]["wander"]) for entry in log.entries)
    assert second[1] == pytest.approx(first[1] / 2, rel=0.2)  # half the time was calm
    assert log.entries[1][2]["memory"]["past"]["seconds"] == pytest.approx(1200, abs=5)
