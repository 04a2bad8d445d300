"""`weighloop runs`: the runs in the store."""

from __future__ import annotations

import sys
from pathlib import Path

import click

from ..common import Whole, json_option, print_json, significant, store_option, table
from ..inputs import open_store


@click.group("runs", invoke_without_command=True)
@store_option
@json_option
@click.pass_context
def command(ctx: click.Context, store_path: Path | None, as_json: bool) -> None:
    """List the runs in the store (without a further word), show one, or verify the store."""
    ctx.obj = store_path
    if ctx.invoked_subcommand is not None:
        return
    with open_store(store_path) as store:
        runs = store.runs()
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
            r["why"],
        ]
        for r in runs
    ]
    print(
        table(["run", "sample", "state", "started", "ended", "points", "why"], rows)
        if rows
        else "No runs yet."
    )


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
        ]
        for p in run["points"]
    ]
    headers = ["step", "kind", "gap /mm", "orientation", "reading /g", "u /mg", "settled in /s", "set aside"]
    print(table(headers, rows))


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
