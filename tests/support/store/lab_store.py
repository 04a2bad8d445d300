"""A bench's store with finished runs: the worked example's disc as a person would have weighed it."""

from __future__ import annotations

import math
from pathlib import Path
from typing import Any

from tests.support import EXAMPLES
from weighloop.analysis.files.bench_file import read_bench
from weighloop.analysis.files.notebook import read_notebook
from weighloop.daemon.store.raw_blocks import Raw
from weighloop.daemon.store.store import Store

UTC = "2026-03-04T05:06:07+00:00"


def weigh(path: Path, disc: int = 1, runs: int = 1) -> None:
    """Append ``runs`` runs of disc WP-07-``disc`` to the store at ``path``, with raw readings."""
    toml = EXAMPLES / f"wp-07-{disc}.toml"
    bench = read_bench(toml)
    table = read_notebook(EXAMPLES / f"wp-07-{disc}.csv", bench)
    with Store(path) as store:
        store.begin_session("boot", "1", UTC, 0.0)
        first = len(store.runs()) + 1
        for run in range(first, first + runs):
            _weigh_once(store, run, bench, toml.read_text(encoding="utf-8"), table)


def _weigh_once(store: Store, run: int, bench: Any, bench_text: str, table: Any) -> None:
    def say(kind: str, data: dict[str, Any], key: str | None = None) -> None:
        store.append([(run, float(run), UTC, kind, f"{kind} of µ", data, key)])

    say(
        "planned",
        {
            "sample": bench.sample.name, "ladder": bench.gap.ladder, "bench_text": bench_text,
            "target_u_kg": 1e-6, "seconds": 60.0, "steps": [],
        },
        f"plan-{run}",
    )  # fmt: skip
    say("started", {})
    step = 0
    for i in range(len(table)):
        zeros = (table.zero_before[i], table.zero_after[i])
        spacers = None if math.isnan(table.spacers[i]) else int(table.spacers[i])
        for kind, value in (("zero", zeros[0]), ("point", table.reading[i]), ("zero", zeros[1])):
            if math.isnan(value):
                continue
            step += 1
            point = {
                "step": step, "kind": kind, "leg": int(i), "gap_m": float(table.gap[i]), "height_m": None,
                "spacers": spacers, "orientation": int(table.orientation[i]), "value_kg": float(value),
                "u_kg": 1e-7, "drift_kg_per_s": 0.0, "time_s": float(step), "utc": UTC, "settled_in_s": 3.0,
                "temperature_K": None, "hall_V": None, "vibration_V": None, "set_aside": None, "note": "",
            }  # fmt: skip
            say(kind, {"point": point})
    raw = [Raw(0.1 * n, None if n % 7 == 0 else 1e-7 * n, "steady" if n % 2 else None) for n in range(300)]
    store.append(raw=[(run, raw)])
    say("finished", {"why": ""})
    store.pack_tail(1)
