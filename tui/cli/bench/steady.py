"""`weighloop steady`: how steady is the balance?"""

from __future__ import annotations

import sys
import time
from pathlib import Path

import click

from ..common import Quantity, Speed, json_option, note, print_json, progress, significant
from ..inputs import bench_of


@click.command("steady")
@click.option(
    "--bench", "bench_path", type=click.Path(path_type=Path), help="Takes port and dialect from it."
)
@click.option("--port", help="Any pyserial URL; instead of a bench file.")
@click.option("--dialect", default="status-line", show_default=True)
@click.option("--resolution", type=Quantity("kg", "1 mg"), default="1mg", show_default=True)
@click.option(
    "--target",
    type=Quantity("kg", "2 mg"),
    help="Standard uncertainty wanted; twice the resolution by default.",
)
@click.option("--for", "seconds", type=Quantity("s"), help="Print a summary after this time, and end.")
@click.option("--speed", type=Speed(), default=1.0, hidden=True)
@json_option
def command(
    bench_path: Path | None,
    port: str | None,
    dialect: str,
    resolution: float,
    target: float | None,
    seconds: float | None,
    speed: float,
    as_json: bool,
) -> None:
    """Quick check of the balance: live reading, noise, drift, breathing, time to an accepted reading.

    Needs no run and no daemon, only the port: --port and --dialect, or a bench file. Without --for
    it runs until Ctrl-C and then prints the summary.
    """
    from ....analysis.errors import NotPossible
    from ....daemon.balance_check import BalanceCheck

    if bench_path is not None:
        balance = bench_of(bench_path).balance
        port, dialect, resolution = port or balance.port, balance.dialect, balance.resolution
    if not port:
        raise click.UsageError("name the balance's port with --port, or a bench file with --bench")
    with BalanceCheck(port, dialect, resolution, target or 2 * resolution, rate=speed) as check:
        try:
            while seconds is None or check.elapsed() < seconds:
                time.sleep(0.2)
                progress(_live(check))
                if check.absent:
                    raise NotPossible(f"{check.why}; `weighloop ports` lists those that are")
        except KeyboardInterrupt:
            pass
        progress("")
        summary = check.summary()
        wanted = target or 2 * resolution
    if as_json:
        print_json(summary)
    else:
        print(_in_first_place(summary, wanted))
        _print(summary)
    if summary["readings"] == 0:
        note("weighloop: nothing readable was heard; `weighloop ports --listen PORT` finds out why.")
        sys.exit(1)


def _live(check) -> str:
    state = check.last
    if state is None or state.value is None:
        return "no readings yet"
    spread = "" if state.u is None else f" ± {significant(state.u * 1e6, 2)} mg"
    left = "" if state.seconds_left is None or state.accepted else f", about {state.seconds_left:.0f} s more"
    return f"{state.value * 1e3:.4f} g{spread}  {state.reason}{left}"


def _print(summary: dict) -> None:
    for line in summary["words"]:
        print(line)


def _in_first_place(summary: dict, target: float) -> str:
    """What one wants to know first: how long an accepted reading takes at the target."""
    times = summary.get("time_to_accept_s") or []
    if not times:
        heard = "" if summary["readings"] else "; nothing readable was heard"
        return f"No reading was accepted to {target * 1e6:.2g} mg in {summary['seconds']:.0f} s{heard}."
    usual = sorted(times)[len(times) // 2]
    return f"A reading known to {target * 1e6:.2g} mg takes about {usual:.0f} s here ({len(times)} tried)."
