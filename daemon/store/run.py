"""A run of the store as scripts and notebooks use it."""

from __future__ import annotations

from pathlib import Path

from ...analysis.errors import NotPossible
from ...analysis.files.bench_file import parse_bench
from ...analysis.records.readings import RawReadings
from ...analysis.run import Run
from ..paths import store_file
from .readings_table import readings_of
from .store import Store


def read_run(number: int, store: str | Path | None = None) -> Run:
    """Run ``number`` of a store (None: the daemon's own), with every raw reading of the balance.

    The store is opened read only; a daemon may be at work on it. Raises NotPossible where there is no store
    or the run has no reading yet, StoreError where there is no such run.
    """
    path = Path(store) if store is not None else store_file()
    if not path.exists():
        raise NotPossible(f"there is no store at {path}; a daemon makes one at its first start")
    with Store(path, read_only=True) as opened:
        found, raw = opened.run(number), opened.raw(number)
    if not any(point["kind"] == "point" for point in found["points"]):
        raise NotPossible(f"run {number} has no reading yet; `weighloop runs show {number}` shows its state")
    bench = parse_bench(found["bench_text"], f"bench of run {number}")
    return Run(readings_of(found), bench, raw=RawReadings(raw.time_s, raw.value_kg, raw.mark))
