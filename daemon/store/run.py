"""A run of the store as scripts, notebooks and the command line use it."""

from __future__ import annotations

from pathlib import Path

from ...analysis.errors import NotPossible
from ...analysis.files.bench_file import parse_bench
from ...analysis.records.bench import Bench
from ...analysis.records.readings import RawReadings, Readings
from ...analysis.run import Run
from .readings_table import readings_of
from .store import Store, open_store


def read_stored(number: int, store: str | Path | None = None) -> tuple[Readings, Bench]:
    """Readings and bench of run ``number`` of a store (None: the daemon's own), opened read only.

    Raises NotPossible where there is no store, no such number, or no reading yet; StoreError where there is
    no such run.
    """
    with open_store(store) as opened:
        return _readings_and_bench(number, opened)


def read_run(number: int, store: str | Path | None = None) -> Run:
    """Run ``number`` of a store (None: the daemon's own), with every raw reading of the balance.

    The store is opened read only; a daemon may be at work on it. Raises as ``read_stored``.
    """
    with open_store(store) as opened:
        readings, bench = _readings_and_bench(number, opened)
        raw = _raw(number, opened)
    return Run(readings, bench, raw=raw)


def read_raw(number: int, store: str | Path | None = None) -> RawReadings:
    """Every reading the balance sent during run ``number``; raises as ``read_stored``."""
    with open_store(store) as opened:
        _readings_and_bench(number, opened)
        return _raw(number, opened)


def _raw(number: int, store: Store) -> RawReadings:
    first = next(point["time_s"] for point in store.run(number)["points"] if point["kind"] == "point")
    raw = store.raw(number)
    return RawReadings(raw.time_s - first, raw.value_kg, raw.mark)


def _readings_and_bench(number: int, store: Store) -> tuple[Readings, Bench]:
    if number.bit_length() > 63:  # more than a store can count to
        raise NotPossible(f"there is no run {number}; `weighloop runs` lists them")
    run = store.run(number)
    if not any(point["kind"] == "point" for point in run["points"]):
        raise NotPossible(f"run {number} has no reading yet; `weighloop runs show {number}` shows its state")
    if run.get("coil", False):
        raise NotPossible(f"run {number} weighed the coil: weighloop calibrate {number} says what it found")
    return readings_of(run), parse_bench(run["bench_text"], f"bench of run {number}")
