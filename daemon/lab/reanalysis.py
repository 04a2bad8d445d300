"""Figures of archived runs, on this machine's cores or on a lab's workers: bit for bit those of the bench.

What a worker does is a pure function of a run's events and the settings: it may be done twice or begun
again, and needs no way to the database.
"""

from __future__ import annotations

import json
import os
import tempfile
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from importlib.metadata import version
from itertools import islice
from typing import TYPE_CHECKING, Any

from ...analysis.errors import NotPossible, WeighloopError
from ..store.checksums import row_sum
from .archive import Archive, ArchivedRun

if TYPE_CHECKING:
    from ...analysis.records.bench import Bench
    from ...analysis.records.readings import Readings

#: One figure: name, value, u, low95, high95, status, why (SI).
FigureRow = tuple[str, float | None, float | None, float | None, float | None, str, str | None]


@dataclass(frozen=True)
class Settings:
    """How to analyse, as `weighloop figures` takes it."""

    method: str = "finite"
    trials: int = 10_000
    seed: int = 1

    def __str__(self) -> str:
        return f"method={self.method} trials={self.trials} seed={self.seed}"


@dataclass(frozen=True)
class Done:
    """What became of one run: its figures, or why there are none."""

    run: ArchivedRun
    figures: int
    why: str | None = None


def figures_of(run: int, rows: Sequence[tuple[Any, ...]], settings: Settings) -> tuple[str, list[FigureRow]]:
    """Version of the program, and the figures of run ``run`` from its rows in the archive.

    Raises WeighloopError or ValueError where there is nothing to analyse.
    """
    from ...analysis.results import analyse

    readings, bench = readings_and_bench(run, rows)
    result = analyse(
        readings,
        bench,
        method=settings.method,  # pyright: ignore[reportArgumentType]
        trials=settings.trials,
        seed=settings.seed,
    )
    return version("weighloop"), [
        (name, f.value, f.u, f.low95, f.high95, f.status, f.why) for name, f in result.figures.items()
    ]


def readings_and_bench(run: int, rows: Sequence[tuple[Any, ...]]) -> tuple[Readings, Bench]:
    """What run ``run`` measured, and on which bench, from its rows in the archive.

    ``rows`` are in the columns of the store's events, with their checksum last; one that does not fit its
    checksum is left out, as the bench leaves it out. Raises WeighloopError or ValueError where there is
    nothing to analyse.
    """
    from ...analysis.files.bench_file import parse_bench
    from ..procedure.events import BenchState
    from ..procedure.next_task import action_of
    from ..procedure.run import LogEvent, replay, to_protocol
    from ..store.readings_table import readings_of

    sound = [row[:9] for row in rows if row[9] is not None and row_sum(*row[:9]) == bytes(row[9])]
    events = [
        LogEvent(i, r, t, utc, kind, text, json.loads(d)) for i, _, r, t, utc, kind, text, d, _ in sound
    ]
    record = replay(run, events)
    found = to_protocol(record, action_of(record, BenchState()))
    bench = parse_bench(found["bench_text"], f"bench of run {run}")
    return readings_of(found), bench


def _task(run: int, rows: Sequence[tuple[Any, ...]], settings: Settings) -> tuple[str, list[FigureRow] | str]:
    """``figures_of``; what is wrong with a run is an answer and no failure to be tried again."""
    try:
        return figures_of(run, rows, settings)
    except (WeighloopError, ValueError) as error:
        return version("weighloop"), str(error)


def reanalyse(
    archive: Archive,
    settings: Settings,
    *,
    scheduler: str | None = None,
    workers: int | None = None,
    on_done: Callable[[Done], None] = lambda done: None,
) -> list[Done]:
    """Analyse every ended run that has no figures yet by these settings and this program.

    ``scheduler`` is a running scheduler's address; without one, ``workers`` processes of this machine (None:
    one a core) do it and end. Raises NotPossible where the scheduler cannot be reached or its workers have
    another version.
    """
    import distributed

    ours = version("weighloop")
    waiting = archive.to_analyse(str(settings), ours)
    done: list[Done] = []
    if not waiting:
        return done
    with tempfile.TemporaryDirectory(prefix="weighloop-") as folder:
        cluster = None
        if scheduler is None:
            most = min(workers or os.cpu_count() or 1, len(waiting))
            cluster = distributed.LocalCluster(
                n_workers=most, threads_per_worker=1, dashboard_address="127.0.0.1:0", host="127.0.0.1",
                local_directory=folder, silence_logs=40,
            )  # fmt: skip
        try:
            client: Any = distributed.Client(cluster or scheduler, timeout="20s")
        except OSError as error:
            raise NotPossible(f"no scheduler answers at {scheduler}: {error}") from None
        try:
            # By key: a task that is given out twice is one task. A few at a time, so that any number fits.
            of: dict[str, ArchivedRun] = {}
            left = iter(waiting)
            most = 4 * max(1, len(client.nthreads()))
            queue = distributed.as_completed(
                [_submit(client, archive, run, settings, of) for run in islice(left, most)]
            )
            for future in queue:
                done.append(_keep(archive, of.pop(future.key), settings, ours, future.result()))
                on_done(done[-1])
                if (following := next(left, None)) is not None:
                    queue.add(_submit(client, archive, following, settings, of))
        finally:
            client.close()
            if cluster is not None:
                cluster.close()
    return done


def _submit(
    client: Any, archive: Archive, run: ArchivedRun, settings: Settings, of: dict[str, ArchivedRun]
) -> Any:
    course = run.course
    key = f"figures {course.bench} {course.store} {course.epoch} {run.run} {run.upto} {settings}"
    of[key] = run
    return client.submit(_task, run.run, archive.run_rows(run), settings, key=key, pure=True)


def _keep(
    archive: Archive,
    run: ArchivedRun,
    settings: Settings,
    ours: str,
    result: tuple[str, list[FigureRow] | str],
) -> Done:
    theirs, found = result
    if theirs != ours:
        raise NotPossible(
            f"a worker has weighloop {theirs}, this is {ours}: install the same version on every worker"
        )
    if isinstance(found, str):
        return Done(run, 0, found)
    archive.put_figures(run, str(settings), theirs, found)
    return Done(run, len(found))
