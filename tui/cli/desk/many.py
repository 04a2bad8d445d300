"""Many inputs of `weighloop compare`: on all cores, the same content once, and shown as one table."""

from __future__ import annotations

import contextlib
import os
import sys
from collections.abc import Iterator, Sequence
from concurrent.futures import ProcessPoolExecutor
from multiprocessing import get_context
from pathlib import Path
from typing import TYPE_CHECKING, Any, NamedTuple

from ..common import like, note, progress, significant, table
from ..inputs import named_input

if TYPE_CHECKING:
    from ....analysis.many_runs import ManyRuns
    from ....analysis.run_summary import RunSummary

#: From this many inputs on they are one table, without a line for every pair.
MANY = 20
#: What is kept of earlier analyses takes no more room than this, bytes; the oldest goes first.
MOST_KEPT = 1_000_000_000
#: Lines of the table in a terminal.
SHOWN = 30


class Failed(NamedTuple):
    """An input that could not be analysed, and why in words."""

    source: str
    why: str


def summaries(
    sources: Sequence[tuple[str, str | None]], settings: dict[str, Any], failed: list[Failed]
) -> Iterator[RunSummary]:
    """The inputs ``(source, name or None)`` in order, on all cores; those with a fault go to ``failed``."""
    place = kept_in()
    cores = len(os.sched_getaffinity(0)) if hasattr(os, "sched_getaffinity") else os.cpu_count() or 1
    # Processes made new: one that is copied from a program with threads may stand still.
    workers = min(cores, len(sources))
    with ProcessPoolExecutor(workers, mp_context=get_context("spawn")) as pool:
        tasks = [(source, name, settings, place) for source, name in sources]
        for number, found in enumerate(pool.map(_summary, tasks, chunksize=4), start=1):
            progress(f"{number} of {len(sources)}")
            if isinstance(found, Failed):
                failed.append(found)
            else:
                yield found
    progress("")
    _make_room(place)


def _summary(task: tuple[str, str | None, dict[str, Any], Path]) -> RunSummary | Failed:
    """One input, from what was kept of an earlier call or analysed now."""
    from ....analysis.errors import WeighloopError
    from ....analysis.results import analyse
    from ....analysis.run_summary import RunSummary, content_key, summary_of

    source, name, settings, place = task
    try:
        with contextlib.redirect_stderr(None):
            readings, bench = named_input(
                source, settings["bench_path"], settings["store_path"], settings["tolerant"], name
            )
        how = {key: settings[key] for key in ("method", "trials", "seed")}
        kept = place / content_key(readings, bench, how)
        with contextlib.suppress(OSError, ValueError):
            found = RunSummary.from_bytes(kept.read_bytes())
            kept.touch()
            return found
        found = summary_of(analyse(readings, bench, **how))
        with contextlib.suppress(OSError):  # a cache that cannot be written costs time only
            fresh = kept.with_name(f"{kept.name}.{os.getpid()}")
            fresh.write_bytes(found.to_bytes())
            fresh.replace(kept)
        return found
    except (WeighloopError, ValueError) as error:
        return Failed(source, str(error))


def kept_in() -> Path:
    """The user's folder for what can be computed again, made if it is not there."""
    from platformdirs import user_cache_path

    place = user_cache_path("weighloop", appauthor=False) / "analyses"
    with contextlib.suppress(OSError):
        place.mkdir(parents=True, exist_ok=True)
    return place


def _make_room(place: Path) -> None:
    with contextlib.suppress(OSError):
        kept = sorted(((p.stat().st_mtime, p.stat().st_size, p) for p in place.iterdir()), reverse=True)
        room = MOST_KEPT
        for _, size, path in kept:
            room -= size
            if room < 0:
                path.unlink(missing_ok=True)


def tell(found: ManyRuns, units: str) -> None:
    """The batch figure by figure, then the runs, those that stand apart first."""
    from ....analysis.figures.names import FIGURE_NAMES
    from ....analysis.many_runs import LEADING

    rows = []
    for b in found.comparison.batch:
        name = FIGURE_NAMES[b.figure]
        mean, u, spread, own = (name.shown(v, units) for v in (b.mean, b.u_mean, b.spread, b.u_own))
        numbers = [str(b.runs), like(mean, u), significant(u, 2), significant(spread, 2), significant(own, 2)]
        rows.append([name.printed, *numbers, name.unit(units), "differ" if b.differ else "alike"])
    print(table(["figure", "runs", "mean", "u", "spread", "by measurement", "unit", "samples"], rows))
    cells = {line["figure"]: line["runs"] for line in found.comparison.table}
    shown = [key for key in LEADING if key in cells]
    rows = []
    for run in found.order[:SHOWN]:
        row = [run]
        for key in shown:
            name, cell = FIGURE_NAMES[key], cells[key][run]
            if cell is None or cell["value"] is None:
                row += ["-", "-"]
                continue
            u = None if cell["u"] is None else name.shown(cell["u"], units)
            text = like(name.shown(cell["value"], units), u)
            far = found.distance[run].get(key)
            row += [
                f"at least {text}" if cell["status"] == "bound" else text,
                "-" if far is None else f"{far:+.1f}",
            ]
        rows.append(row)
    heads = [
        part
        for key in shown
        for part in (f"{FIGURE_NAMES[key].printed}, {FIGURE_NAMES[key].unit(units)}", "apart")
    ]
    print("\n" + table(["sample", *heads], rows))
    left = len(found.order) - len(rows)
    if left > 0:
        print(f"and {left} more: --output PAGE.html or --json has them all")
    print(
        '"apart": from the robust mean, in robust standard deviations between the samples, or in what'
        " measurement alone scatters by where that is more."
    )
    print(found.comparison.text)


def tell_failures(failed: Sequence[Failed]) -> None:
    """What could not be analysed, each with its reason."""
    for one in failed:
        note(f"{one.source}: left out: {one.why}")
    if failed:
        sys.exit(1)
