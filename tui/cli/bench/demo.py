"""`weighloop demo`: the main job on the bench twin."""

from __future__ import annotations

import threading
from datetime import datetime
from pathlib import Path
from typing import Any

import click

from ..common import SEED, Speed, Whole, json_option, need_terminal, note, print_json, progress
from ..inputs import PROGRAMME_HELP, own_programmes, own_programmes_option

_SPEED = 40.0
#: With the screen, by ladder: a whole loop in about a minute.
_SPEED_TO_WATCH = {"lift": 10.0, "spacers": 40.0}
_NOTICE = (
    "This is the bench twin: nothing here can pinch you. At a real bench magnets shatter and pinch; "
    "the whole notice is shown before your first run there."
)


@click.command("demo")
@click.option("--seed", type=SEED, default=7, show_default=True)
@click.option("--speed", type=Speed(), help="Times as fast as life: 40; with --tui about a minute a loop.")
@click.option("--points", type=Whole(4, 100), default=22, show_default=True, help="Gaps of the ladder.")
@click.option("--until", metavar="FIGURES", help="As few readings as the answer needs: as for plan.")
@click.option("--programme", metavar="NAME", help=f"{PROGRAMME_HELP}.")
@own_programmes_option
@click.option("--hands", is_flag=True, help="A lift without a turner, and a (simulated) person's hands.")
@click.option("--manual", is_flag=True, help="Spacers and a (simulated) person instead of the lift.")
@click.option("--sample", help="One of the twin's own samples.")
@click.option(
    "--benches",
    type=Whole(2, 1000),
    help="Draw the bench file again N times and say how often each interval holds the truth.",
)
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
    speed: float | None,
    points: int,
    until: str | None,
    programme: str | None,
    own: Path | None,
    hands: bool,
    manual: bool,
    sample: str | None,
    benches: int | None,
    show: bool,
    output: Path,
    as_json: bool,
) -> None:
    """Run one whole loop on the bench twin, without a person's word, analyse it and write the report.

    The lift turns the sample over by itself, and readings at the far end tell the balance's zero.
    The virtual balance and lift are spoken to through real serial ports, by a real daemon with a
    real store. With --tui the screen shows it; quitting the screen does not stop the run.
    """
    from ....analysis.errors import NotPossible
    from ....daemon.simulation.rehearsal import Rehearsal

    if show:
        need_terminal()
    output.mkdir(parents=True, exist_ok=True)
    store = output / "store.sqlite"
    ladder = "spacers" if manual else "lift"
    speed = speed or (_SPEED_TO_WATCH[ladder] if show else _SPEED)
    turner = not (hands or manual)
    twin = {"seed": seed, "speed": speed, "ladder": ladder, "sample": sample, "turner": turner}
    with Rehearsal(store, **twin) as rehearsal:
        client = rehearsal.client()
        client.call("control.take", name="demo", force=True)

        def start() -> None:
            gaps = {"points": points} if until is None else {"until": until}
            settings = {**gaps, "target_u_kg": None, "name": None, "unattended": turner}
            settings |= {"programme": programme}
            settings |= {} if own is None else {"programmes": own_programmes(own)}
            client.call("run.start", bench_text=rehearsal.bench_text, **settings)

        if show:
            _show(rehearsal, client, start)
        else:
            start()
        if client.call("snapshot")["run"] is None:
            raise NotPossible("the screen was left before the run began; nothing was weighed")
        run = rehearsal.operate(client, _tell)
        progress("")
        truth = rehearsal.twin.do("truth")
        files = [rehearsal.twin.do("bench-file", seed=seed + i)["text"] for i in range(1, (benches or 0) + 1)]
        client.close()
    if run["state"] != "finished":
        raise NotPossible(f"run {run['id']} was {run['state']}: {run['why']}")
    _conclude(run, store, output, truth, as_json, speed, rehearsal.hands)
    if files:
        table = _coverage(run["id"], store, files, truth["minor"])
        note(table) if as_json else print("\n" + table)


def _show(rehearsal: Any, client: Any, start: Any) -> None:
    """The screen until it is quit; once its one line is read the run starts, with a person at the bench."""
    from ...app import run as run_screen

    people: list[threading.Thread] = []

    def begin() -> None:
        start()
        people.append(threading.Thread(target=rehearsal.operate, args=(client,), daemon=True))
        people[0].start()

    run_screen(str(rehearsal.socket), begin=(_NOTICE, begin))
    for person in people:
        person.join()


def _tell(run: Any) -> None:
    left = run["seconds_left"]
    minutes = "" if left is None else f", about {left / 60:.0f} min of bench time left"
    progress(f"step {run['steps_done']} of {len(run['steps'])}: {run['action']['text']}{minutes}")


def _conclude(
    run: Any, store: Path, output: Path, truth: dict[str, Any], as_json: bool, speed: float, hands: int
) -> None:
    """Analyse the stored run the way any run is, write the report, print the figures."""
    from ....analysis.report import write_programme, write_report
    from ....analysis.results import LoopResult
    from ..desk.figures import result_table
    from ..inputs import result_of

    number = run["id"]
    where = {"bench_path": None, "store_path": store, "tolerant": False}
    result = result_of(str(number), None, "finite", 10_000, 1, **where)
    report = str(output / f"run-{number}.html")
    again = f"weighloop figures {number} --store {store} --seed {result.seed}"
    again += f" --method {result.method}" if isinstance(result, LoopResult) else ""
    try:
        if isinstance(result, LoopResult):
            write_report(result, report, recompute=f"Recompute with: {again}.")
        else:
            write_programme(result, report, f"Recompute with: {again}.")
    except ModuleNotFoundError as error:  # a bench computer's installation, without extras
        note(f"no report: {error.name} is not installed; pip install 'weighloop[report]'")
        report = ""
    if as_json:
        found = {"run": number, "hands": hands, "report": report or None, "result": result.to_json()}
        print_json(found | {"twin_truth": truth})
        return
    began, ended = (datetime.fromisoformat(run[key]) for key in ("started_utc", "ended_utc"))
    seconds = (ended - began).total_seconds()
    by_whom = f"with a person's hands {hands} times" if hands else "without a hand or a word from a person"
    print(
        f"Run {number}, sample {result.bench.sample.name}: {len(result.readings)} readings in "
        f"{seconds * speed / 60:.0f} min of bench time ({seconds:.0f} s at {speed:g} times life's speed),\n"
        f"{by_whom}.\n"
    )
    print(result_table(result))
    for warning in result.warnings:
        note(f"{warning.code}: {warning.text}")
    if isinstance(result, LoopResult):
        print("\n" + _beside_the_truth(result, truth["minor"]))
    print((f"\nReport: {report}" if report else "") + f"\nStore:  {store}")


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
        z = f"{(figure.value - truth[key]) / figure.u:+.1f}" if figure.u else "-"
        rows.append([name.printed, *shown, name.unit(), z, "yes" if inside else "no"])
    if not rows:
        return (
            "Every figure is a bound or not determined; see above why. None stands beside the twin's truth."
        )
    headers = ["figure", "weighed", "twin's truth", "unit", "z", "within the 95 % interval"]
    return table(headers, rows) + (
        "\nz is the difference by the standard uncertainty. A 95 % interval misses the truth once in 20"
        "\nby design, and the figures of one run miss together; --benches 40 shows how often."
    )


def _coverage(number: int, store: Path, files: list[str], truth: dict[str, float]) -> str:
    """How often each interval holds the truth over bench files drawn again, with the same readings."""
    from ....analysis.figures.names import FIGURE_NAMES
    from ....analysis.files.bench_file import parse_bench
    from ....analysis.results import analyse
    from ..common import table
    from ..inputs import read_input

    readings, _ = read_input(str(number), None, store)
    z: dict[str, list[float]] = {}
    held: dict[str, list[bool]] = {}
    for count, text in enumerate(files, start=1):
        progress(f"bench file {count} of {len(files)}")
        result = analyse(readings, parse_bench(text), trials=2000)
        for key, figure in result.figures.items():
            given = figure.value, figure.low95, figure.high95
            if figure.status != "measured" or key not in truth or key == "largest_field_A_per_m":
                continue
            value, low, high = (float("nan") if number is None else number for number in given)
            if figure.u:
                z.setdefault(key, []).append((value - truth[key]) / figure.u)
                held.setdefault(key, []).append(low <= truth[key] <= high)
    progress("")
    rows = []
    for key, hits in held.items():
        off = z[key]
        spread = (sum(value**2 for value in off) / len(off)) ** 0.5
        rows.append(
            [
                FIGURE_NAMES[key].printed,
                f"{sum(hits)} of {len(hits)}",
                f"{100 * sum(hits) / len(hits):.0f} %",
                f"{spread:.2f}",
            ]
        )
    return table(["figure", "interval holds the truth", "share", "rms z"], rows) + (
        f"\nThe same readings, with {len(files)} bench files whose values are drawn about the twin's own by "
        "\ntheir stated uncertainties (at most twice these); 95 % and an rms z of 1 are what is stated."
    )
