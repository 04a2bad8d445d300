"""`weighloop night`: a list of runs that needs nobody, and the page of what became of it."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import click

from ..common import OneOf, PageFile, Quantity, Whole, json_option, note, print_json, progress, store_option
from ..inputs import PROGRAMME_HELP, open_store, own_programmes, own_programmes_option

_LIKE = "[[run]] tables, each with such as points = 16 and loops = 10"


@click.group("night")
def command() -> None:
    """Start a list of runs that goes on while nobody is there; write the page of what became of it."""


@command.command("start")
@click.argument("bench", type=click.Path(path_type=Path, exists=True, dir_okay=False))
@click.option("--loops", type=Whole(1, 1000), help="How many runs alike; one where nothing is said.")
@click.option("--points", type=Whole(2, 200), default=22, show_default=True, help="Gaps of the ladder.")
@click.option("--until", metavar="FIGURES", help="As few readings as the answer needs: as for plan.")
@click.option(
    "--list",
    "listed",
    type=click.Path(path_type=Path, exists=True, dir_okay=False),
    help="A TOML file of [[run]] tables: loops, points, until, name, not_before_utc, zeros, programme.",
)
@click.option("--programme", metavar="NAME", help=f"{PROGRAMME_HELP}, repeat (10 loops without --loops).")
@own_programmes_option
@click.option("--deadline", help="Be done by then: a clock time such as 07:30 or 2026-01-31T07:30+01:00.")
@click.option("--most-held", type=Whole(1, 1000), help="Begin no more runs after this many holds in all.")
@click.option(
    "--most-drift",
    type=Quantity("kg"),
    help="Begin no more runs after one whose zero moved by more, such as 20mg.",
)
@click.option(
    "--zeros",
    type=OneOf(["hand", "far"]),
    help="Zeros by hand or from readings at the far end, as in `weighloop plan`.",
)
@click.option("--queue", is_flag=True, help="Wait for the present run's end.")
@click.option("--socket", type=click.Path(path_type=Path), help="The daemon's socket.")
@json_option
def start(
    bench: Path,
    loops: int | None,
    points: int,
    until: str | None,
    programme: str | None,
    own: Path | None,
    listed: Path | None,
    deadline: str | None,
    most_held: int | None,
    most_drift: float | None,
    zeros: str | None,
    queue: bool,
    socket: Path | None,
    as_json: bool,
) -> None:
    """Start runs of BENCH one after the other, which need nobody.

    Held for a plug, a full disk, a restless bench or a power cut a run goes on by itself once that is over;
    after anything that may not be safe it waits for a person.
    """
    from ....daemon.paths import socket_path
    from ....daemon.server.client import Client

    text = bench.read_text(encoding="utf-8-sig")
    ends: dict[str, Any] = {"deadline_utc": None if deadline is None else _moment(deadline)}
    ends |= {"most_held": most_held, "most_drift_kg": most_drift}
    if listed is not None:
        ends["runs"] = _entries(listed)
    gaps: dict[str, Any] = {"points": points} if until is None else {"until": until}
    with Client.connect(socket or socket_path()) as client:
        what = {"programme": programme} | ({} if own is None else {"programmes": own_programmes(own)})
        plan = client.call("run.plan", bench_text=text, **gaps, zeros=zeros, **what)
        client.call("control.take", name="night", force=False)
        try:
            number = client.call(
                "run.start",
                bench_text=text,
                **gaps,
                target_u_kg=None,
                name=None,
                queue=queue,
                unattended=True,
                zeros=zeros,
                **({} if loops is None else {"loops": loops}),
                **what,
                **ends,
            )
        finally:
            client.call("control.release")
    needed = [needed for needed in plan["attendance"] if needed[0] > 0]
    if as_json:
        print_json({"run": number, "attendance": plan["attendance"]})
        return
    print(f"Runs from {number} on are in the line. `weighloop night page {number}` says what became of them.")
    for seconds, what in needed:
        note(f"without a turner somebody is needed {seconds / 60:.0f} min from each run's start: {what}")


@command.command("page")
@click.argument("number", type=Whole(1, 2**63 - 1), required=False)
@store_option
@click.option("--output", "-o", type=PageFile(), help="The file; night-NUMBER.html by default.")
@click.option("--figures/--no-figures", default=True, help="Whether each run is analysed.")
@json_option
def page(
    number: int | None, store_path: Path | None, output: Path | None, figures: bool, as_json: bool
) -> None:
    """Write what became of the list that began with run NUMBER (the newest by default) as one HTML file."""
    from ....analysis.errors import NotPossible
    from ....analysis.report.night import write_night
    from ....analysis.results import analyse
    from ....daemon.store.night import last_series, night_of
    from ..inputs import read_input

    with open_store(store_path) as store:
        first = number or last_series(store)
        if first is None:
            raise NotPossible("this store has no list of runs; name one run: weighloop night page 12")
        night = night_of(store, first)
    if not night["runs"]:
        raise NotPossible(f"no list of runs began with run {first}; weighloop runs shows what there is")
    results = {}
    finished = [run["id"] for run in night["runs"] if run["state"] == "finished"]
    for count, run in enumerate(finished if figures else (), start=1):
        progress(f"analysing run {count} of {len(finished)}")
        readings, bench = read_input(str(run), None, store_path)
        results[run] = analyse(readings, bench, trials=2000)
    progress("")
    target = output or Path(f"night-{first}.html")
    write_night(night, results, target)
    if as_json:
        found = {run: {key: f.to_json() for key, f in r.figures.items()} for run, r in results.items()}
        print_json({"page": str(target), "night": night, "figures": found})
    else:
        print(target)


def _entries(path: Path) -> list[dict[str, Any]]:
    """The runs of a list. Raises InputError naming the file's fault."""
    import tomllib

    from ....analysis.errors import Fault, InputError

    try:
        table = tomllib.loads(path.read_text(encoding="utf-8-sig"))
    except (tomllib.TOMLDecodeError, UnicodeDecodeError) as error:
        raise InputError(str(path), [Fault("file", f"is no TOML: {error}", _LIKE)]) from None
    entries = table.get("run")
    if not isinstance(entries, list) or not all(isinstance(entry, dict) for entry in entries):
        raise InputError(str(path), [Fault("run", "names no runs", _LIKE)])
    return entries


def _moment(text: str) -> str:
    """The next moment of a clock time; a date is for the daemon to judge."""
    from ...format import next_moment

    if "-" in text:
        return text
    try:
        return next_moment(text)
    except ValueError as error:
        raise click.UsageError(f"--deadline: {error}") from None
