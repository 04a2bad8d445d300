"""`weighloop ports`: the serial ports, and what is heard on one."""

from __future__ import annotations

import sys
from pathlib import Path

import click

from ..common import Quantity, json_option, note, print_json, table

#: Meanings of a recording that are shown.
KEPT_SHOWN = 40


@click.command("ports")
@click.option("--listen", "port", help="Listen on this port and say which dialect and line settings fit.")
@click.option(
    "--for", "seconds", type=Quantity("s"), default="12s", show_default=True, help="How long to listen."
)
@click.option(
    "--keep",
    type=click.Path(path_type=Path, dir_okay=False),
    help="With --listen: then record as long again into this new file, byte for byte with the times.",
)
@click.option("--origin", default="not said", help="With --keep: what device, where, when.")
@json_option
def command(port: str | None, seconds: float, keep: Path | None, origin: str, as_json: bool) -> None:
    """List serial ports; with --listen, say which balance dialect and line settings fit what is heard.

    What --keep records can become a test here: hardware_notes/recordings.md says how to give one.
    """
    from ....daemon.balance_check import fits, keep_recording, port_lines

    if keep is not None and port is None:
        raise click.UsageError("--keep records what --listen PORT hears")
    if keep is not None and keep.exists():
        raise click.UsageError(f"{keep}: exists; a recording is never written over")

    if port is None:
        found = port_lines()
        if as_json:
            print_json(found)
        elif not found:
            print("No serial ports here.")
        else:
            print(table(list(found[0]), [[str(v or "-") for v in line.values()] for line in found]))
        return
    result = fits(port, seconds)
    if keep is not None:
        count, meanings = keep_recording(port, keep, result, seconds, origin)
        print("\n".join(meanings[:KEPT_SHOWN]), file=sys.stderr)
        more = f" (the first {KEPT_SHOWN} of {len(meanings)})" if len(meanings) > KEPT_SHOWN else ""
        note(f"{keep}: {count} bytes; compare the lines above{more} with the balance's display")
    if as_json:
        print_json(result)
    elif not result:
        print(f"Nothing heard on {port} fits a dialect known here. Is the balance set to send continuously?")
    else:
        print(_heard(result))
        print(_for_the_bench_file(port, result[0]))


def _heard(fits: list[dict]) -> str:
    """What fits, best first, with a line as it came."""
    rows = [
        [fit["dialect"] or "none", fit["settings"], str(fit["good"]), str(fit["refused"]), fit["samples"][0]]
        for fit in fits
    ]
    return table(["dialect", "line settings", "fit", "do not", "such as"], rows)


def _for_the_bench_file(port: str, best: dict) -> str:
    """The lines to copy, or why there are none."""
    if best["dialect"] is None:
        return (
            "\nNo dialect explains what comes. Is the balance set to another output format? "
            "A dialect of your own is a short file: hardware_notes/add_a_balance.md."
        )
    doubt = "" if best["clear"] else "  # not sure: too few lines were heard; listen again for longer"
    # The name that survives replugging, where the port has one.
    from ....daemon.balance_check import port_lines

    stable = next((line["stable_name"] for line in port_lines() if line["device"] == port), None)
    return (
        f'\nFor the bench file:\n[balance]\nport = "{stable or port}"\ndialect = "{best["dialect"]}"{doubt}'
    )
