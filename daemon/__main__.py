"""`python -m weighloop.daemon`: the daemon's own way in, light enough to start on a small machine."""

from __future__ import annotations

import argparse
import logging
import os
import signal
import sys
import threading
from pathlib import Path

from ..analysis.errors import WeighloopError
from . import alarms, health
from . import paths as places

#: How fast a rehearsal may be, times as fast as life.
SPEEDS = (1e-3, 1e4)


def _number(text: str) -> float:
    if not text.isascii():
        raise argparse.ArgumentTypeError(f"{text!r} is no number; digits are 0 to 9")
    return float(text)


def _speed(text: str) -> float:
    value = _number(text)
    if not SPEEDS[0] <= value <= SPEEDS[1]:  # also of what is no number
        raise argparse.ArgumentTypeError(f"{text} is not from {SPEEDS[0]:g} to {SPEEDS[1]:g}")
    return value


def _megabytes(text: str) -> float:
    value = _number(text)
    if not 0 <= value <= 1e9:
        raise argparse.ArgumentTypeError(f"{text} is no size in MB")
    return value


def _address(text: str) -> tuple[str, int]:
    host, _, port = text.rpartition(":")
    if not (port.isascii() and port.isdigit() and int(port) < 65536):
        raise argparse.ArgumentTypeError(f"{text!r} is not such as 127.0.0.1:8271")
    return host.strip("[]") or "127.0.0.1", int(port)


def parser() -> argparse.ArgumentParser:
    """The options."""
    about = "Own the ports and the store, run procedures, serve clients."
    p = argparse.ArgumentParser(prog="weighloop daemon", description=about)
    p.add_argument("--store", type=Path, help="the store (SQLite); the user's own by default")
    p.add_argument("--socket", type=Path, help="where clients connect")
    p.add_argument("--bench", type=Path, help="open this bench's devices at start")
    p.add_argument(
        "--speed", type=_speed, default=1.0, help="times as fast as life, for a twin of the same speed"
    )
    p.add_argument("--tcp", type=_address, metavar="HOST:PORT", help="listen there as well; it takes a key")
    afar = "let clients of other machines act, not only watch"
    p.add_argument("--act-from-afar", action="store_true", help=afar)
    p.add_argument(
        "--alarm",
        action="append",
        default=[],
        metavar="TARGET",
        help="where alarms go: a command that gets a JSON event on its standard input, or an address "
        "such as mailto://..., ntfy://..., jsons://... (extra [alarm]); more than once; else the lines of "
        "alarms.conf",
    )
    least = health.DISK_LEAST / 1e6
    p.add_argument(
        "--disk-least", type=_megabytes, default=least, metavar="MB", help="least free space beside the store"
    )
    p.add_argument("--until-input-ends", action="store_true", help="stop when standard input ends")
    p.add_argument("--check", action="store_true", help="check places, store and bench, then end")
    return p


def main(arguments: list[str] | None = None) -> int:
    """Run until stopped. Exit status: 0 done, 1 could not, 2 wrong call."""
    options = parser().parse_args(arguments)
    logging.basicConfig(level=logging.INFO, format="%(levelname)s %(name)s: %(message)s", stream=sys.stderr)
    # A rehearsal calls nobody but whom it names.
    try:
        own = [] if options.until_input_ends else alarms.read_targets(places.alarm_file())
        targets = options.alarm or own
        for target in targets:
            alarms.check_target(target)
    except WeighloopError as error:
        print(f"weighloop daemon: {error}", file=sys.stderr)
        return 1
    if options.check:
        from .self_check import check

        store = options.store or places.store_file()
        return check(store, options.socket or places.socket_path(), options.bench)
    if options.until_input_ends:
        threading.Thread(target=_stop_when_input_ends, daemon=True).start()
    from .service import serve
    from .store.store import StoreError

    try:
        serve(
            options.socket,
            options.store,
            clock_rate=options.speed,
            bench=options.bench,
            alarms=targets,
            tcp=options.tcp,
            act_from_afar=options.act_from_afar,
            disk_least=int(options.disk_least * 1e6),
        )
    except (StoreError, OSError, ValueError) as error:
        print(f"weighloop daemon: {error}", file=sys.stderr)
        return 1
    return 0


def _stop_when_input_ends() -> None:
    """However the starter went, killed or closed with its window, its end of the pipe went with it."""
    while os.read(sys.stdin.fileno(), 4096):
        pass
    os.kill(os.getpid(), signal.SIGTERM)


if __name__ == "__main__":
    sys.exit(main())
