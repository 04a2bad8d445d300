"""`weighloop coil`: weigh the bench's coil on the daemon, a person's hands asked for in the terminal."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from ..common import PageFile, Quantity, Whole, json_option, note, print_json, progress

if TYPE_CHECKING:
    from ....daemon.protocol import Action, Run
    from ....daemon.server.client import Client

_FILE = click.Path(path_type=Path, dir_okay=False)
_ENDED = ("finished", "stopped")


@click.command("coil")
@click.argument("bench", type=click.Path(path_type=Path, exists=True, dir_okay=False))
@click.option("--gaps", type=Whole(2, 200), default=6, show_default=True, help="Gaps the coil is weighed at.")
@click.option("--check", is_flag=True, help="One gap only: does the bench file's calibration still hold?")
@click.option("--scan", type=Quantity("m", "3 mm"), help="Where the axis is: moved so far to each side.")
@click.option("--current", type=Quantity("A", "48 mA"), help="The coil's; by default 14 ampere-turns.")
@click.option("--ends", type=Whole(1, 2), help="How many of its ends are down in turn: 2, of a check 1.")
@click.option("--target", type=Quantity("kg", "2 mg"), help="Standard uncertainty wanted of a reading.")
@click.option("--name", help="What the run is called; by default as the bench file's sample.")
@click.option("-o", "--output", type=_FILE, help="Write the bench file with the result in it.")
@click.option("--report", type=PageFile(), help="Write the calibration's or scan's page (HTML or PDF).")
@click.option("--start", "only_start", is_flag=True, help="Start it and leave: the screen asks for hands.")
@click.option("--queue", is_flag=True, help="With --start: wait for the present run's end.")
@click.option(
    "--unattended", is_flag=True, help="For a night: held, it goes on by itself where that is safe."
)
@click.option("--socket", type=click.Path(path_type=Path), help="The daemon's socket.")
@json_option
def command(
    bench: Path,
    gaps: int,
    check: bool,
    scan: float | None,
    current: float | None,
    ends: int | None,
    target: float | None,
    name: str | None,
    output: Path | None,
    report: Path | None,
    only_start: bool,
    queue: bool,
    unattended: bool,
    socket: Path | None,
    as_json: bool,
) -> None:
    """Weigh the coil that BENCH describes in the sample's place: a calibration, or a check of one.

    The daemon weighs it at every gap with both directions of its current. The lift's source switches that,
    or you are asked for it here, as you are to put the coil on and to turn it: Enter says that it is done.
    Leaving (Ctrl-C) ends nothing; the run waits for you on `weighloop tui`. In the end it prints what
    `weighloop calibrate RUN` does.
    """
    from ....daemon.paths import socket_path
    from ....daemon.server.client import Client

    if queue and not only_start:
        raise click.UsageError("--queue goes with --start")
    if check and scan is not None:
        raise click.UsageError("--check and --scan are two runs")
    if (output or report) and (check or only_start):
        raise click.UsageError("-o and --report go with a run that is followed to its end, and is no check")
    if output and scan is not None:
        raise click.UsageError("-o goes with a calibration: a scan's offset holds once the seat was moved")
    asked: dict[str, Any] = {
        "bench_text": bench.read_text(encoding="utf-8-sig"),
        "points": 1 if check or scan is not None else gaps,
        "target_u_kg": target,
        "coil": True,
        "coil_current_A": current,
        "coil_aside_m": scan,
    } | ({} if ends is None else {"coil_ends": ends})
    with Client.connect(socket or socket_path()) as client:
        plan = client.call("run.plan", **asked)
        client.call("control.take", name="coil", force=False)
        number = client.call("run.start", **asked, name=name, queue=queue, unattended=unattended)
        for warning in plan["warnings"]:
            note(f"Note: {warning}")
        if only_start:
            print_json({"run": number}) if as_json else print(f"Run {number} has started.")
            return
        try:
            run = _followed(client, number)
        except (KeyboardInterrupt, click.Abort):
            progress("")
            note(f"run {number} goes on without you; `weighloop tui` shows it and what it waits for")
            raise click.Abort from None
    _conclude(run, check, as_json, output=output, report=report)


def _followed(client: Client, number: int) -> Run:
    """The run once it has ended; what it asks for until then is asked for here, once each time."""
    events = client.events(["run"])  # that there is a change, not what it is
    client.call("subscribe", topics=["run"])
    told: tuple[Any, ...] | None = None
    while True:
        run = _now(client, number)
        if run["state"] in _ENDED:
            progress("")
            return run
        action = run["action"]
        mark = (
            run["state"],
            run["why"],
            run["steps_done"],
            len(run["points"]),
            action["code"],
            action["text"],
        )
        if run["state"] == "held" or action["needs_confirm"]:
            progress("")
            if mark != told:
                told = mark if _ask(client, run) else None
                continue
        else:
            progress(f"step {run['steps_done']} of {len(run['steps'])}: {action['text']}")
        next(events)


def _now(client: Client, number: int) -> Run:
    run = client.call("snapshot")["run"]
    return run if run is not None and run["id"] == number else client.call("runs.get", run=number)


def _ask(client: Client, run: Run) -> bool:
    """Ask the person and tell the daemon; False, and why, where it refuses."""
    from ....daemon.server.client import ClientError, NoDaemon

    action = run["action"]
    if run["state"] == "held":
        _typed(f"Held: {run['why']}. Enter goes on")
        method, params = "run.go_on", {}
    else:
        method, params = "run.confirm", {"choice": _choice(action), "code": action["code"]}
    try:
        client.call(method, **params)
    except NoDaemon:
        raise
    except ClientError as error:
        note(str(error))
        return False
    return True


def _choice(action: Action) -> str | None:
    """The person's answer to an action that waits for one."""
    if action["choices"]:
        for line in (action["text"], *(f"  {i}  {c}" for i, c in enumerate(action["choices"], 1))):
            note(line)
        picked = click.prompt("Which", type=Whole(1, len(action["choices"])), err=True)
        return action["choices"][picked - 1]
    if action["hint"]:
        note(action["hint"])
    if action["code"] == "set-current" and action.get("current_A"):
        shown = _typed(f"{action['text']} Enter when it is so, or what the meter shows in mA")
        return shown and (shown if shown.endswith("A") else f"{shown} mA")
    _typed(f"{action['text']} Enter when it is done")
    return None


def _typed(words: str) -> str | None:
    return click.prompt(words, default="", show_default=False, err=True).strip() or None


def _conclude(run: Run, check: bool, as_json: bool, **files: Path | None) -> None:
    """What the readings say of the bench."""
    from ....analysis.calibration.axis import axis_of_run
    from ....analysis.calibration.coil import source_of_coil
    from ....analysis.errors import NotPossible
    from ....analysis.files.bench_file import parse_bench
    from ....daemon.store.coil_table import coil_readings_of
    from ..desk.calibrate import VALID_DAYS, show_axis, show_calibration, show_check

    if run["state"] != "finished":
        raise NotPossible(f"run {run['id']} was stopped: {run['why']}")
    note(f"Run {run['id']} is finished.")
    bench = parse_bench(run["bench_text"])
    readings = coil_readings_of(run, bench)
    if readings.seat is not None:
        show_axis(axis_of_run(readings, bench), bench, readings.source, files["report"], as_json)
        return
    source = source_of_coil(readings, bench)
    if check:
        show_check(source, bench, as_json)
    else:
        named = f"run {run['id']}"
        show_calibration([source], bench, None, as_json, VALID_DAYS, **files, named=named)
