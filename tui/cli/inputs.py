"""The way from INPUT on the command line to readings and a bench, and the options of an analysis."""

from __future__ import annotations

import os
import re
from collections.abc import Callable
from dataclasses import replace
from datetime import date
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from .common import SEED, OneOf, Whole, note, store_option

if TYPE_CHECKING:
    from ...analysis.inversion.loop import OtherRun
    from ...analysis.programmes.results import ProgrammeResult
    from ...analysis.records.bench import Bench
    from ...analysis.records.readings import RawReadings, Readings
    from ...analysis.results import LoopResult
    from ...daemon.store.store import Store

#: A run of the lab's archive: BENCH:RUN.
_ARCHIVED = re.compile(r"([A-Za-z0-9][A-Za-z0-9_.-]{1,63}):([0-9]{1,18})", re.ASCII)
_OPTIONS = [
    click.option(
        "--bench",
        "bench_path",
        type=click.Path(path_type=Path),
        help="The bench file (TOML); by default NAME.toml beside a notebook NAME.csv.",
    ),
    click.option(
        "--method",
        type=OneOf(["finite", "mean"]),
        default="finite",
        show_default=True,
        help="Force to magnetisation: undo the field's spread over the sample, or average over it.",
    ),
    click.option("--trials", type=Whole(100, 1_000_000), default=10_000, show_default=True),
    click.option("--seed", type=SEED, default=1, show_default=True, help="Of the Monte Carlo trials."),
    click.option(
        "--tolerant",
        is_flag=True,
        help="Read a notebook as spreadsheets write it (decimal comma, other headers); every guess is named.",
    ),
    store_option,
]


def with_analysis_options(verb: Callable[..., Any]) -> Callable[..., Any]:
    """Add the options that every verb with an analysis has; they arrive as keywords for ``analysed``."""
    for option in reversed(_OPTIONS):
        verb = option(verb)
    return verb


def analysed(
    source: str,
    bench_path: Path | None,
    store_path: Path | None,
    method: str,
    trials: int,
    seed: int,
    tolerant: bool,
    named: str | None = None,
) -> LoopResult:
    """INPUT analysed. ``named`` gives the sample another name than the bench file's."""
    from ...analysis.results import analyse

    readings, bench = named_input(source, bench_path, store_path, tolerant, named)
    return analyse(readings, bench, method=method, trials=trials, seed=seed)


programme_option = click.option(
    "--programme",
    metavar="NAME",
    help="What it is read off for: loop, recoil, remanence, reversal, decay, repeat; by default what it was "
    "run for.",
)
with_option = click.option(
    "--with",
    "others",
    metavar="RUN",
    multiple=True,
    help="A recoil, remanence or reversal run of the same sample (as INPUT): it has a say in how the "
    "sample's parts feel one another. May be given several times; a notebook goes by INPUT's bench file "
    "where it has none of its own.",
)


#: Of the option where runs are planned or started.
PROGRAMME_HELP = "What a run is: loop, recoil, remanence, reversal, decay, one of --programmes"
own_programmes_option = click.option(
    "--programmes",
    "own",
    type=click.Path(path_type=Path),
    help="A TOML file with programmes of one's own, each a list of passages.",
)


def own_programmes(path: Path) -> str:
    """The text of a file of programmes; its faults are named here, by its name. Raises InputError."""
    from ...analysis.files.text import read_text
    from ...analysis.programmes.programme import read_programmes

    read_programmes(path)
    return read_text(path, "programmes")


def result_of(
    source: str,
    programme: str | None,
    method: str,
    trials: int,
    seed: int,
    others: tuple[str, ...] = (),
    **where: Any,
) -> LoopResult | ProgrammeResult:
    """INPUT analysed as the ``programme`` it is of; None: what the run says, a loop where nothing does. A
    loop's sample may have ``others``, runs that are counted with it."""
    readings, bench = named_input(source, named=None, **where)
    if (programme or readings.gives) == "loop":
        from ...analysis.results import analyse

        counted = _other_runs(others, bench, **where) if others else ()
        return analyse(readings, bench, method=method, trials=trials, seed=seed, others=counted)
    if others:
        raise click.UsageError(f"--with goes with a loop: {source} is a {programme or readings.gives} run")
    from ...analysis.programmes.results import analyse_programme
    from ...analysis.programmes.settings import MOST_DRAWS

    return analyse_programme(readings, bench, programme, draws=min(trials, MOST_DRAWS), seed=seed)


def _other_runs(
    sources: tuple[str, ...], loop: Bench, bench_path: Path | None, tolerant: bool, **where: Any
) -> tuple[OtherRun, ...]:
    """What runs of the loop's sample say; a notebook without a bench file goes by the loop's."""
    from ...analysis.programmes.other_runs import other_runs

    def read(source: str) -> tuple[str, Readings, Bench]:
        if bench_path is None and Path(source).is_file() and not Path(source).with_suffix(".toml").is_file():
            return source, _read_notebook(source, loop, tolerant), loop
        return source, *read_input(source, bench_path, tolerant=tolerant, **where)

    return other_runs(loop, map(read, sources))


def named_input(
    source: str, bench_path: Path | None, store_path: Path | None, tolerant: bool, named: str | None
) -> tuple[Readings, Bench]:
    """``read_input``, and the sample with the name ``named`` where there is one."""
    readings, bench = read_input(source, bench_path, store_path, tolerant)
    if named is not None:
        bench = replace(bench, sample=replace(bench.sample, name=named))
    return readings, bench


def read_input(
    source: str, bench_path: Path | None, store_path: Path | None, tolerant: bool = False
) -> tuple[Readings, Bench]:
    """The readings and the bench behind INPUT: a notebook CSV, a data package, or a run's number.

    BENCH:RUN is a run of the lab's archive (``WEIGHLOOP_ARCHIVE``). A run or a package brings the bench it
    was measured on, a notebook the bench file of its own name beside it; a bench file that is named is used
    instead.
    """
    from ...analysis.data_package import is_package, read_package
    from ...analysis.errors import Fault, InputError
    from ...analysis.files.text import read_bytes

    if is_run(source):
        from ...daemon.store.run import read_stored

        readings, bench = read_stored(int(source), store_path)
        if bench_path is None:
            return readings, bench
        # A run records heights and spacers: another contact gap or scale moves its gaps.
        other = bench_of(bench_path)
        return readings.moved(bench.gap, other.gap), other
    if (archived := _ARCHIVED.fullmatch(source)) and not Path(source).exists():
        readings, bench = _from_archive(archived[1], int(archived[2]))
        return readings, bench_of(bench_path) if bench_path else bench
    if is_package(source):
        readings, bench = read_package(source)
        return readings, bench_of(bench_path) if bench_path else bench
    if Path(source).is_dir():
        expected = "a notebook CSV, a data package (a folder with datapackage.json) or a run's number"
        raise InputError(source, [Fault("input", "a folder without datapackage.json", expected)])
    beside = Path(source).with_suffix(".toml") if Path(source).name else Path()
    if bench_path is None and not beside.is_file():
        read_bytes(source, "notebook CSV")  # a name mistyped is that, and no lack of a bench file
        raise click.UsageError(
            f"{source} is a notebook: name its bench file with --bench, or put one beside it as {beside.name}"
        )
    bench = bench_of(bench_path or beside)
    return _read_notebook(source, bench, tolerant), bench


def _from_archive(bench: str, run: int) -> tuple[Readings, Bench]:
    """A run of the lab's archive."""
    from ...analysis.errors import NotPossible

    try:
        from ...daemon.lab.archive import Archive
        from ...daemon.lab.reanalysis import readings_and_bench
    except ImportError:
        raise NotPossible("runs of the lab's archive need `pip install weighloop[lab]`") from None
    with Archive(os.environ.get("WEIGHLOOP_ARCHIVE", "dbname=weighloop")) as archive:
        found = archive.run_of(bench, run)
        return readings_and_bench(run, archive.run_rows(found))


def is_run(source: str) -> bool:
    """Whether INPUT is the number of a run of the store."""
    return source.isascii() and source.isdecimal() and not Path(source).exists()


def raw_of(source: str, store_path: Path | None) -> RawReadings:
    """Every reading the balance sent, of a run or a package. Raises InputError where none is kept."""
    from ...analysis.data_package import is_package
    from ...analysis.data_package import read_raw as read_raw_of_package
    from ...analysis.errors import Fault, InputError

    if is_run(source):
        from ...daemon.store.run import read_raw

        return read_raw(int(source), store_path)
    raw = read_raw_of_package(source) if is_package(source) else None
    if raw is None:
        raise InputError(source, [Fault("raw readings", "none are kept with it", "the number of a run")])
    return raw


def bench_of(path: Path) -> Bench:
    """The bench file, checked; what is possible in it and unusual is asked about on standard error."""
    from ...analysis.files.bench_doubts import doubts
    from ...analysis.files.bench_file import read_bench

    bench = read_bench(path)
    for question in doubts(bench):
        note(f"{path}: {question}")
    if bench.calibration is not None and (said := bench.calibration.expired(date.today())):
        note(f"{path}: {said}")
    return bench


def _read_notebook(source: str, bench: Bench, tolerant: bool) -> Readings:
    if tolerant:
        from ...analysis.files.spreadsheet import read_tolerant

        readings, guesses = read_tolerant(source, bench)
        for guess in guesses:
            note(f"{source}: {guess}")
        return readings
    from ...analysis.files.notebook import read_notebook

    readings = read_notebook(source, bench)
    for remark in readings.remarks:
        note(f"{source}: {remark.text}")
    return readings


def open_store(store_path: Path | None) -> Store:
    """The store, read only. Raises NotPossible when there is none."""
    from ...daemon.store.store import open_store as opened

    return opened(store_path)
