"""`weighloop tui`: the terminal screen."""

from __future__ import annotations

import sys
from pathlib import Path

import click

from ..common import SEED, OneOf, Speed, need_terminal


@click.command("tui")
@click.option(
    "--socket", type=click.Path(path_type=Path), help="The daemon's socket; the user's own by default."
)
@click.option(
    "--twin", is_flag=True, help="Start a daemon on the bench twin, whose hands do what the screen says."
)
@click.option("--ladder", type=OneOf(["lift", "spacers"]), default="lift", show_default=True)
@click.option("--seed", type=SEED, default=1, show_default=True, help="Of the twin.")
@click.option(
    "--speed", type=Speed(), default=1.0, show_default=True, help="Of the twin, times as fast as life."
)
@click.option("--web", is_flag=True, help="Serve the screen to a browser on this machine (loopback only).")
@click.option(
    "--port", type=click.IntRange(1, 65535), default=8270, show_default=True, help="Of the browser's page."
)
def command(
    socket: Path | None, twin: bool, ladder: str, seed: int, speed: float, web: bool, port: int
) -> None:
    """Show the terminal screen of a daemon. Closing it never stops a run."""
    if web:
        from ...web import serve

        words = [sys.executable, "-m", "weighloop.tui.cli", "tui"]
        words += ["--socket", str(socket)] if socket else []
        words += ["--twin", "--ladder", ladder, "--seed", str(seed), "--speed", str(speed)] if twin else []
        serve(words, port=port)
        return
    from ...app import run

    need_terminal()
    if not twin:
        sys.exit(run(None if socket is None else str(socket)))
    import tempfile

    from ....daemon.simulation.rehearsal import Rehearsal

    with tempfile.TemporaryDirectory(prefix="weighloop-") as folder:
        store = Path(folder) / "store.sqlite"
        with Rehearsal(store, seed=seed, speed=speed, ladder=ladder) as rehearsal:
            rehearsal.lend_hands()
            sys.exit(run(str(rehearsal.socket)))
