"""`weighloop tui`: the terminal screen."""

from __future__ import annotations

import sys
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import click

from ..common import SEED, OneOf, Speed, Whole, need_terminal


@click.command("tui")
@click.option(
    "--socket", type=click.Path(path_type=Path), help="The daemon's socket; the user's own by default."
)
@click.option("--watch", is_flag=True, help="Only watch; nothing typed here acts on the bench.")
@click.option(
    "--twin", is_flag=True, help="Start a daemon on the bench twin, whose hands do what the screen says."
)
@click.option("--ladder", type=OneOf(["lift", "spacers"]), default="lift", show_default=True)
@click.option("--seed", type=SEED, default=1, show_default=True, help="Of the twin.")
@click.option(
    "--speed", type=Speed(), default=1.0, show_default=True, help="Of the twin, times as fast as life."
)
@click.option(
    "--web", is_flag=True, help="Serve the screen to browsers; the addresses printed have keys in them."
)
@click.option("--host", default="127.0.0.1", show_default=True, help="Where the browser's page is served.")
@click.option("--port", type=Whole(1, 65535), default=8270, show_default=True, help="Of the browser's page.")
@click.option(
    "--watch-key",
    type=click.Path(path_type=Path),
    help="With --web: a file that keeps the key to watch, for a monitor; made where there is none.",
)
@click.option("--act-from-afar", is_flag=True, help="Let browsers of other machines act, not only watch.")
def command(
    socket: Path | None,
    watch: bool,
    twin: bool,
    ladder: str,
    seed: int,
    speed: float,
    web: bool,
    host: str,
    port: int,
    watch_key: Path | None,
    act_from_afar: bool,
) -> None:
    """Show the terminal screen of a daemon. Closing it never stops a run.

    With --web every browser window is a view of the one daemon, with --twin too: closing or reloading a
    window loses nothing. Beside the screen there are /phone, a small page that shows the run, and /metrics
    for Prometheus; both want the key to watch.
    """
    if not web:
        need_terminal()
    with _daemon(socket, twin, ladder, seed, speed) as place:
        if web:
            from ...web.page import serve

            words = [sys.executable, "-m", "weighloop.tui.cli", "tui"]
            words += ["--socket", str(place)] if place else []
            words += ["--watch"] if watch else []
            serve(words, host, port, act_from_afar=act_from_afar, bench=place, watch_key=watch_key)
            return
        from ...app import run

        status = run(None if place is None else str(place), watch)
    sys.exit(status)


@contextmanager
def _daemon(socket: Path | None, twin: bool, ladder: str, seed: int, speed: float) -> Iterator[Path | None]:
    """The socket of the daemon to look at; with ``twin`` one that lasts as long as the context."""
    if not twin:
        yield socket
        return
    from ....daemon.simulation.rehearsal import Rehearsal

    with tempfile.TemporaryDirectory(prefix="weighloop-") as folder:
        store = Path(folder) / "store.sqlite"
        with Rehearsal(store, seed=seed, speed=speed, ladder=ladder) as rehearsal:
            rehearsal.lend_hands()
            yield rehearsal.socket
