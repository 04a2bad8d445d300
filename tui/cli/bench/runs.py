"""`weighloop runs`: the runs in the store."""

from __future__ import annotations

import sys
from importlib.metadata import version
from pathlib import Path
from typing import Any

import click

from ...run_words import has_words
from ..common import Whole, json_option, note, print_json, significant, store_option, table
from ..inputs import open_store


@click.group("runs", invoke_without_command=True)
@store_option
@click.option("--find", default="", help="Only runs that have these words: sample, date, state, note.")
@click.option("--hidden", is_flag=True, help="Hidden runs too.")
@json_option
@click.pass_context
def command(ctx: click.Context, store_path: Path | None, find: str, hidden: bool, as_json: bool) -> None:
    """List the runs in the store (without a further word), show, rename, note on or hide one, or verify the
    store."""
    ctx.obj = store_path
    if ctx.invoked_subcommand is not None:
        return
    with open_store(store_path) as store:
        runs = [r for r in store.runs() if (hidden or not r.get("hidden")) and has_words(r, find)]
    if as_json:
        print_json(runs)
        return
    rows = [
        [
            str(r["id"]),
            r["sample"],
            r["state"],
            r["started_utc"],
            r["ended_utc"] or "-",
            str(r["points"]),
            "; ".join([*([r["why"]] if r["why"] else []), *r.get("notes", [])[-1:]]),
        ]
        for r in runs
    ]
    none = f"No run with {find!r}." if find else "No runs yet."
    print(
        table(["run", "sample", "state", "started", "ended", "points", "why, note"], rows) if rows else none
    )


def _change(number: int, what: str, value: str | bool, outer: Path | None, store: Path | None) -> None:
    """One event on a run: by the daemon where one owns the store, else straight into it."""
    from ....analysis.errors import NotPossible
    from ....daemon.server.client import Client, ClientError
    from ....daemon.store.edit import edit_run
    from ....daemon.store.locks import AlreadyRunning

    try:
        print(edit_run(store or outer, number, what, value, version("weighloop")))
        return
    except ValueError as error:
        raise click.BadParameter(str(error)) from None
    except AlreadyRunning as error:
        owned = error
    key = {"rename": "name", "note": "text", "hide": "hidden"}[what]
    if owned.socket is None:
        raise owned
    try:
        with Client.connect(owned.socket) as client:
            client.call("control.take", name="weighloop runs", force=False)
            client.call(f"runs.{what}", run=number, **{key: value})
    except ClientError as error:
        raise NotPossible(f"the daemon that owns the store did not do it: {error}") from None
    print(f"Run {number}: done by the daemon that owns the store.")


_number = click.argument("number", type=Whole(1, 2**63 - 1))
_of_store = click.option("--store", "store_path", type=click.Path(path_type=Path), help="The store.")


@command.command("rename")
@_number
@click.argument("name")
@_of_store
@click.pass_obj
def rename(outer: Path | None, number: int, name: str, store_path: Path | None) -> None:
    """Give the sample of run NUMBER another NAME; the old one stays in the run's log."""
    _change(number, "rename", name, outer, store_path)


@command.command("note")
@_number
@click.argument("text")
@_of_store
@click.pass_obj
def note_on(outer: Path | None, number: int, text: str, store_path: Path | None) -> None:
    """Write a note on run NUMBER."""
    _change(number, "note", text, outer, store_path)


@command.command("hide")
@_number
@click.option("--undo", is_flag=True, help="Take it back into the list.")
@_of_store
@click.pass_obj
def hide(outer: Path | None, number: int, undo: bool, store_path: Path | None) -> None:
    """Leave run NUMBER out of lists. Nothing of it is deleted."""
    _change(number, "hide", not undo, outer, store_path)


@command.command("show")
@click.argument("number", type=Whole(1, 2**63 - 1))
@click.option("--store", "store_path", type=click.Path(path_type=Path), help="The store.")
@json_option
@click.pass_obj
def show(outer: Path | None, number: int, store_path: Path | None, as_json: bool) -> None:
    """Show one run: its state and every accepted reading."""
    with open_store(store_path or outer) as store:
        run = store.run(number)
    if as_json:
        print_json(run)
        return
    print(
        f"Run {run['id']}, sample {run['sample']}: {run['state']}{' - ' + run['why'] if run['why'] else ''}"
    )
    print(f"Started {run['started_utc']}, ended {run['ended_utc'] or '-'}")
    for words in run.get("notes", []):
        print(f"Note: {words}")
    rows = [
        [
            str(p["step"]),
            p["kind"],
            "-" if p["gap_m"] is None else f"{p['gap_m'] * 1e3:.2f}",
            f"{p['orientation']:+d}",
            f"{p['value_kg'] * 1e3:.4f}",
            significant(p["u_kg"] * 1e6, 2),
            f"{p['settled_in_s']:.1f}",
            p["set_aside"] or "",
            _note(p),
        ]
        for p in run["points"]
    ]
    headers = ["step", "kind", "gap /mm", "orientation", "reading /g", "u /mg", "settled in /s", "set aside"]
    print(table([*headers, "note"], rows))
    for warning in run.get("warnings", ()):
        note(f"damaged-event: {warning}")


def _note(point: Any) -> str:
    """What stands beside a reading: a coil's current, its note, or that nothing vouches for it."""
    amps = point.get("current_A")
    said = point["note"] or ("" if point.get("vouched", True) else "nothing vouches for it")
    return "; ".join(filter(None, ("" if amps is None else f"{amps * 1e3:+.2f} mA", said)))


@command.command("verify")
@click.option("--store", "store_path", type=click.Path(path_type=Path), help="The store.")
@json_option
@click.pass_obj
def verify(outer: Path | None, store_path: Path | None, as_json: bool) -> None:
    """Check the store: its pages, its log and that every run can be rebuilt from it."""
    with open_store(store_path or outer) as store:
        faults = store.verify()
    if as_json:
        print_json({"sound": not faults, "faults": faults})
    elif faults:
        print("\n".join(faults))
    else:
        print("The store is sound.")
    if faults:
        sys.exit(1)
