"""`weighloop twin`: the virtual balance and lift on pseudo-terminals."""

from __future__ import annotations

import signal

import click

from ..common import SEED, OneOf, Speed, json_option, print_json


@click.command("twin")
@click.option("--seed", type=SEED, default=1, show_default=True)
@click.option("--speed", type=Speed(), default=1.0, show_default=True, help="Times as fast as life.")
@click.option("--dialect", default="status-line", show_default=True, help="What the balance speaks.")
@click.option("--ladder", type=OneOf(["lift", "spacers"]), default="lift", show_default=True)
@click.option("--turner", is_flag=True, help="A lift that turns the sample over.")
@click.option("--sample", help="One of the twin's own samples.")
@json_option
def command(as_json: bool, **settings) -> None:
    """Serve the virtual balance and lift on pseudo-terminals until stopped (Ctrl-C)."""
    from ....daemon.simulation.twin_process import TwinProcess

    with TwinProcess(**settings) as twin:
        if as_json:
            print_json(twin.places)
        else:
            print(f"Balance:    {twin.places['balance']}  ({settings['dialect']})")
            print(f"Lift:       {twin.places['lift'] or '-'}")
            print(f"Bench file: {twin.places['bench_file']}")
            print("Stop with Ctrl-C.", flush=True)
        signal.signal(signal.SIGTERM, lambda *_: (_ for _ in ()).throw(KeyboardInterrupt))
        try:
            twin.wait()
        except KeyboardInterrupt:
            return
