"""``python -m weighloop.drivers.twin``: serve the virtual bench on pseudo-terminals."""

from __future__ import annotations

import argparse
import sys


def main(arguments: list[str] | None = None) -> int:
    """Serve a bench twin; returns the exit status."""
    parser = argparse.ArgumentParser(
        prog="weighloop twin",
        description="Serve a virtual balance and lift on pseudo-terminals. Prints one JSON line when ready; "
        "ends when standard input closes or on SIGTERM.",
    )
    parser.add_argument("--seed", type=int, default=0, metavar="N", help="what chance brings (default 0)")
    parser.add_argument("--speed", type=float, default=1.0, metavar="X", help="times as fast as life")
    parser.add_argument(
        "--bench", default="over-fired", metavar="TRUTH.toml", help="a twin bench: file or shipped name"
    )
    parser.add_argument("--dialect", default="status-line", metavar="NAME", help="how the balance speaks")
    parser.add_argument("--ladder", choices=("lift", "spacers"), default="lift", help="how the gap is set")
    parser.add_argument("--turner", action="store_true", help="a lift that turns the sample over")
    parser.add_argument("--calm", action="store_true", help="no disturbances but the balance's own noise")
    options = parser.parse_args(arguments)
    if not options.speed > 0:
        parser.error("--speed is a number above zero")
    try:
        from .bench import TwinBench
        from .serve import serve
    except ImportError as error:
        print(f"The twin needs pseudo-terminals, which this system does not have ({error}).", file=sys.stderr)
        return 1
    try:
        bench = TwinBench(
            options.seed,
            bench=options.bench,
            dialect=options.dialect,
            ladder=options.ladder,
            calm=options.calm,
            turner=options.turner or None,
        )
    except (OSError, ValueError, KeyError) as error:
        what = f"the twin bench lacks the key {error}" if isinstance(error, KeyError) else str(error)
        print(what, file=sys.stderr)
        return 1
    serve(bench, options.speed, lambda line: print(line, flush=True))
    return 0


if __name__ == "__main__":
    sys.exit(main())
