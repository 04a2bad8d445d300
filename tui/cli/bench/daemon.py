"""`weighloop daemon`: own the ports and the store, run procedures, serve clients."""

from __future__ import annotations

import sys
from pathlib import Path

import click

from ..common import Speed, json_option, print_json, store_option


@click.command("daemon")
@click.option(
    "--bench", "bench_path", type=click.Path(path_type=Path), help="Open this bench's devices at start."
)
@store_option
@click.option("--socket", type=click.Path(path_type=Path), help="Where clients connect.")
@click.option(
    "--speed", type=Speed(), default=1.0, help="Clock rate, for rehearsals on a twin of the same speed."
)
@click.option("--tcp", metavar="HOST:PORT", help="Listen there as well; clients say a key.")
@click.option(
    "--act-from-afar", is_flag=True, help="Let clients of other machines act, not only watch (with --tcp)."
)
@click.option("--check", is_flag=True, help="Check places, store and bench, then leave.")
@click.option("--status", is_flag=True, help="Ask the running daemon how it is; exit status 1 when not well.")
@json_option
def command(
    bench_path: Path | None,
    store_path: Path | None,
    socket: Path | None,
    speed: float,
    tcp: str | None,
    act_from_afar: bool,
    check: bool,
    status: bool,
    as_json: bool,
) -> None:
    """Own the serial ports and the store, run procedures, serve clients, until stopped."""
    if status:
        from ....daemon.server.client import Client

        with Client.connect(socket) as client:
            health = client.call("status")
        print_json(health) if as_json else print("\n".join(f"{k}: {v}" for k, v in health.items()))
        sys.exit(0 if health.get("well", True) else 1)
    from ....daemon.__main__ import main

    arguments = ["--speed", str(speed)]
    for option, value in (
        ("--bench", bench_path),
        ("--store", store_path),
        ("--socket", socket),
        ("--tcp", tcp),
    ):
        if value is not None:
            arguments += [option, str(value)]
    arguments += ["--act-from-afar"] if act_from_afar else []
    sys.exit(main([*arguments, "--check"] if check else arguments))
