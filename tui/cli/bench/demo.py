"""`weighloop demo`: the main job on the bench twin."""

from __future__ import annotations

import threading
import time
from pathlib import Path
from typing import Any

import click

from ..common import SEED, Speed, json_option, need_terminal, note, print_json, progress


@click.command("demo")
@click.option("--seed", type=SEED, default=7, show_default=True)
@click.option("--speed", type=Speed(), default=40.0, show_default=True, help="Times as fast as life.")
@click.option(
    "--points", type=click.IntRange(4, 100), default=22, show_default=True, help="Gaps of the ladder."
)
@click.option("--manual", is_flag=True, help="Spacers and a (simulated) person instead of the lift.")
@click.option("--sample", help="One of the twin's own samples.")
@click.option("--tui", "show", is_flag=True, help="Show the run live on the terminal screen.")
@click.option(
    "--output",
    type=click.Path(path_type=Path),
    default=Path("demo-output"),
    show_default=True,
    help="A folder.",
)
@json_option
def command(
    seed: int,
    speed: float,
    points: int,
    manual: bool,
    sample: str | None,
    show: bool,
    output: Path,
    as_json: bool,
) -> None:
    """Run one whole unattended loop on the bench twin, analyse it and write the report.

    The virtual balance and lift are spoken to through real serial ports, by a real daemon with a
    real store. With --tui the screen shows it; quitting the screen does not stop the run.
    """
    from ....analysis.errors import NotPossible
    from ....daemon.simulation.rehearsal import Rehearsal

    if show:
        need_terminal()
    output.mkdir(parents=True, exist_ok=True)
    store = output / "store.sqlite"
    started = time.monotonic()
    ladder = "spacers" if manual else "lift"
    with Rehearsal(store, seed=seed, speed=speed, ladder=ladder, sample=sample) as rehearsal:
        client = rehearsal.client()
        client.call("control.take", name="demo", force=True)
        number = client.call(
            "run.start", bench_text=rehearsal.bench_text, points=points, target_u_kg=None, name=None
        )
        if show:
            _operate_behind_the_screen(rehearsal, client)
        run = rehearsal.operate(client, _tell)
        progress("")
        truth = rehearsal.twin.do("truth")
        client.close()
    if run["state"] != "finished":
        raise NotPossible(f"run {number} was {run['state']}: {run['why']}")
    _conclude(number, store, output, truth, as_json, time.monotonic() - started)


def _operate_behind_the_screen(rehearsal: Any, client: Any) -> None:
    """The person at the bench in a thread, the screen in front of it until it is quit."""
    from ...app import run as run_screen

    person = threading.Thread(target=rehearsal.operate, args=(client,), daemon=True)
    person.start()
    run_screen(str(rehearsal.socket))
    person.join()


def _tell(run: Any) -> None:
    left = run["seconds_left"]
    minutes = "" if left is None else f", about {left / 60:.0f} min of bench time left"
    progress(f"step {run['steps_done']} of {len(run['steps'])}: {run['action']['text']}{minutes}")


def _conclude(
    number: int, store: Path, output: Path, truth: dict[str, Any], as_json: bool, seconds: float
) -> None:
    """Analyse the stored run the way any run is, write the report, print the figures."""
    from ....analysis.report import write_report
    from ....analysis.results import analyse
    from ..desk.figures import figures_table
    from ..inputs import read_input

    readings, bench = read_input(str(number), None, store)
    result = analyse(readings, bench)
    report = output / f"run-{number}.html"
    again = f"weighloop figures {number} --store {store} --method {result.method} --seed {result.seed}"
    write_report(result, report, recompute=f"Recompute with: {again}.")
    if as_json:
        print_json({"run": number, "report": str(report), "result": result.to_json(), "twin_truth": truth})
        return
    print(f"Run {number}, sample {bench.sample.name}: {len(readings)} readings in {seconds:.0f} s.\n")
    print(figures_table(result))
    for warning in result.warnings:
        note(f"{warning.code}: {warning.text}")
    print("\n" + _beside_the_truth(result, truth["minor"]))
    print(f"\nReport: {report}\nStore:  {store}")


def _beside_the_truth(result: Any, truth: dict[str, float]) -> str:
    """The measured figures beside what the twin's sample really is."""
    from ....analysis.figures.names import FIGURE_NAMES
    from ..common import significant, table

    rows = []
    for key, name in FIGURE_NAMES.items():
        figure = result.figures.get(key)
        if (
            figure is None
            or figure.status != "measured"
            or key not in truth
            or key == "largest_field_A_per_m"
        ):
            continue
        inside = figure.low95 <= truth[key] <= figure.high95
        shown = [significant(name.shown(value)) for value in (figure.value, truth[key])]
        rows.append([name.printed, *shown, name.unit(), "yes" if inside else "no"])
    if not rows:
        return (
            "Every figure is a bound or not determined; see above why. None stands beside the twin's truth."
        )
    return table(["figure", "weighed", "twin's truth", "unit", "within the 95 % interval"], rows)
