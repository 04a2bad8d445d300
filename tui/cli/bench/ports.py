"""`weighloop ports`: the serial ports, and what is heard on one."""

from __future__ import annotations

import click

from ..common import Quantity, json_option, print_json, table


@click.command("ports")
@click.option("--listen", "port", help="Listen on this port and say which dialect and line settings fit.")
@click.option(
    "--for", "seconds", type=Quantity("s"), default="12s", show_default=True, help="How long to listen."
)
@json_option
def command(port: str | None, seconds: float, as_json: bool) -> None:
    """List serial ports; with --listen, say which balance dialect and line settings fit what is heard."""
    from ....daemon.balance_check import fits, port_lines

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
