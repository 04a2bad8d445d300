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
        print(table(list(result[0]), [[str(v) for v in line.values()] for line in result]))
