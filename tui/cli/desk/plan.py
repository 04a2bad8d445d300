"""`weighloop plan`: the gap ladder, in history-safe order."""

from __future__ import annotations

from collections.abc import Mapping
from itertools import pairwise
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from ...format import duration
from ..common import (
    OneOf,
    Whole,
    bench_option,
    json_option,
    listed,
    note,
    print_json,
    significant,
    table,
)
from ..inputs import PROGRAMME_HELP, bench_of, own_programmes_option, read_input
from .figures import figures_table
from .programme import numbers_table

if TYPE_CHECKING:
    from ....analysis.planning.gap_ladder import LadderPlan, LadderStep
    from ....analysis.planning.passages import ZeroBy
    from ....analysis.programmes.programme import Programme
    from ....analysis.programmes.results import ProgrammeResult
    from ....analysis.records.bench import Bench
    from ....analysis.results import LoopResult


@click.command("plan")
@bench_option
@click.option("--points", type=Whole(2, 500), help="This many gaps instead, the same on every passage.")
@click.option(
    "--until",
    metavar="FIGURES",
    help='As few readings as bring the expected uncertainty there: "HcJ 1 %, Mr 1 %". '
    "Where nothing is asked: until more readings cannot help HcJ and Mr.",
)
@click.option(
    "--after",
    "previous",
    help="A notebook or run measured before, a loop or another programme: puts gaps where its loop is steep.",
)
@click.option(
    "--expect", is_flag=True, help="Also print the uncertainty expected of each figure (takes some seconds)."
)
@click.option("--rows", is_flag=True, help="Print every step, not the passages alone.")
@click.option(
    "--programme",
    metavar="NAME",
    default="loop",
    show_default=True,
    help=f"{PROGRAMME_HELP}, or repeat (the loop again and again).",
)
@own_programmes_option
@click.option(
    "--zeros",
    type=OneOf(["hand", "far"]),
    help="How the zero is known: by hand (the sample is taken off) or from readings at the far end, which are"
    " pairs where there is a turner. Without it: far with a turner, else by hand.",
)
@json_option
def command(
    bench_path: Path,
    programme: str,
    own: Path | None,
    points: int | None,
    until: str | None,
    previous: str | None,
    expect: bool,
    rows: bool,
    zeros: ZeroBy | None,
    as_json: bool,
) -> None:
    """Make the plan: gaps or spacer counts for a whole loop, both orientations, or for another programme.

    A loop goes in, out, turned over in and out, and where its branches do not meet turned back in. It gets
    as few readings as the answer needs, closer together where it bends; with --points a plain ladder.
    Refuses when the magnet would be lifted off the pan or the balance's capacity exceeded.
    What is expected is that of the sample measured before (``--after``), else of a middling hard ferrite.
    """
    from ....analysis.forces.force import force_per_kg
    from ....analysis.planning.fewest_readings import fewest_readings
    from ....analysis.planning.gap_ladder import plan

    bench = bench_of(bench_path)
    loop = None
    if previous is not None:
        from ....analysis.programmes.other_runs import descending_branch

        loop = descending_branch(previous, *read_input(previous, bench_path, None))
    if points is not None and until is not None:
        raise click.UsageError("--points and --until each say how many gaps there are: give one of them")
    is_loop = programme in ("loop", "repeat")
    if not is_loop and (until is not None or previous is not None or zeros is not None):
        raise click.UsageError("--until, --after and --zeros are of the loop alone")
    fewest = other = None
    if programme == "repeat":
        note("repeat: the loop again and again; what follows is one of them")
    if not is_loop:
        other = _programme(programme, own)
        ladder = _of_programme(bench, other, points or 24)
    elif points is None:
        fewest = fewest_readings(bench, _wanted(until), loop=loop, zeros=zeros)
        ladder = fewest.ladder
    else:
        ladder = plan(bench, points, loop=loop, zeros=zeros)
    foreseen, said, warnings = None, "", list(ladder.warnings)
    if fewest is not None and until is not None:
        foreseen, said = fewest.result, figures_table(fewest.result)
    elif expect and other is not None:
        from ....analysis.programmes.expected import expected as of_programme

        found = of_programme(ladder, bench, other.gives)
        foreseen, said = found, numbers_table(found)
    elif expect:
        from ....analysis.planning.expected_uncertainty import expected

        of_loop = expected(ladder, bench)
        foreseen, said = of_loop, figures_table(of_loop)
    warnings += [] if foreseen is None else [finding.text for finding in foreseen.warnings]
    if as_json:
        steps = [
            {
                "step": s.step,
                "gap_m": s.gap,
                "spacers": s.spacers,
                "orientation": s.orientation,
                "H_applied_A_per_m": s.H_applied,
                "leg": s.leg,
                "predicted_reading_kg": s.predicted_reading,
                "target_u_kg": s.target_u,
                "purpose": s.purpose,
            }
            for s in ladder.steps
        ]
        more = {} if foreseen is None else {"expected": _plain(foreseen)}
        more |= {} if fewest is None or until is None else {"until": fewest.to_json()}
        print_json({"steps": steps, **more} if more else steps)
    else:
        print(_all_rows(ladder) if rows else _by_passage(ladder))
        pull = ladder.largest_pull / force_per_kg(bench.site)
        print(
            f"Largest pull {pull * 1e3:.1f} g; on the pan stand {ladder.pan_load * 1e3:.1f} g; "
            f"capacity {ladder.capacity * 1e3:.1f} g. Expected time {duration(ladder.seconds)}."
        )
        if fewest is not None:
            whose = "a middling hard ferrite" if loop is None else "the sample measured before"
            print(f"\n{len(ladder.steps)} readings; expected of {whose}:")
            for expectation in fewest.expectations:
                print(f"  {expectation.sentence()}.")
        if said:
            print(f"\nExpected of the figures:\n{said}")
    for warning in warnings:
        note(f"Note: {warning}")


def _plain(foreseen: LoopResult | ProgrammeResult) -> Any:
    """What is expected of each figure, as JSON."""
    from ....analysis.programmes.curves import plain
    from ....analysis.results import LoopResult

    if isinstance(foreseen, LoopResult):
        return foreseen.to_json()["figures"]
    return {key: plain(figure) for key, figure in foreseen.figures.items()}


def _programme(name: str, own: Path | None) -> Programme:
    from ....analysis.programmes.programme import programme, read_programmes

    return programme(name, read_programmes(own) if own is not None else None)


def _of_programme(bench: Bench, wanted: Programme, points: int) -> LadderPlan:
    """The steps of another programme than the loop, and what it takes beside."""
    from ....analysis.programmes.path import plan_programme

    turns = f"{wanted.turns} turns" if wanted.turns != 1 else "1 turn"
    who = "by the turner" if bench.gap.turner is not None else "by hand"
    note(f"{wanted.name}: {wanted.about}; {len(wanted.passages)} passages, {turns} {who} at the far end")
    return plan_programme(bench, wanted, points)


def _wanted(until: str | None) -> Mapping[str, float | None]:
    """The figures that ``--until`` asks for."""
    from ....analysis.planning.fewest_readings import CANNOT_HELP, wanted_figures

    try:
        return wanted_figures(CANNOT_HELP if until is None else until)
    except ValueError as error:
        raise click.UsageError(f"--until: {error}") from None


def _all_rows(ladder: LadderPlan) -> str:
    """Every step in the order taken."""
    headers = [
        "step",
        "passage",
        "gap /mm",
        "spacers",
        "orientation",
        "H applied /(kA/m)",
        "expected reading /g",
        "u wanted /mg",
    ]
    rows = [
        [
            str(s.step),
            str(s.leg + 1),
            f"{s.gap * 1e3:.2f}",
            "-" if s.spacers is None else str(s.spacers),
            f"{s.orientation:+d}",
            significant(s.H_applied / 1e3),
            significant(s.predicted_reading * 1e3),
            f"{s.target_u * 1e6:.2g}",
        ]
        for s in ladder.steps
    ]
    return table(headers, rows)


def _by_passage(ladder: LadderPlan) -> str:
    """A line for each passage: from where to where, and what is expected on the way."""
    passages: dict[int, list[LadderStep]] = {}
    for step in ladder.steps:
        if step.purpose == "loop":
            passages.setdefault(step.leg, []).append(step)
    rows = []
    for leg, steps in passages.items():
        first, last = steps[0], steps[-1]
        readings = [step.predicted_reading * 1e3 for step in steps]
        rows.append(
            [
                f"{leg + 1} {'in' if last.gap < first.gap else 'out'}",
                str(len(steps)),
                f"{first.gap * 1e3:.2f} to {last.gap * 1e3:.2f}",
                "-" if first.spacers is None else f"{first.spacers} to {last.spacers}",
                f"{first.orientation:+d}",
                f"{first.H_applied / 1e3:.0f} to {last.H_applied / 1e3:.0f}",
                f"{min(readings):z.1f} to {max(readings):z.1f}",
                _range([step.target_u * 1e6 for step in steps]),
            ]
        )
    headers = ["passage", "readings", "gap /mm", "spacers", "orientation", "field /(kA/m)", "expected /g"]
    headers.append("u wanted /mg")
    return f"{table(headers, rows)}\n{_attended(ladder)} --rows prints every step."


def _range(values: list[float]) -> str:
    """The least and the largest, or the one that all are."""
    least, most = f"{min(values):.2g}", f"{max(values):.2g}"
    return least if least == most else f"{least} to {most}"


def _attended(ladder: LadderPlan) -> str:
    """How the zero is known, and when a person is expected to be needed."""
    turns = [duration(a.seconds) for a in ladder.attendance if a.what == "turn the sample over"]
    legs = [str(b.leg + 1) for a, b in pairwise(ladder.steps) if a.orientation != b.orientation]
    if ladder.zeros == "far":
        far = sum(step.purpose == "zero" for step in ladder.steps)
        text = f"The zero is known by {far} more readings at the far end, the sample on."
    elif ladder.steps[0].spacers is not None:
        text = "The zero is read at each gap, the sample off."
    else:
        text = "The zero is read at the start, before each turn and at the end, the sample taken off by hand."
    if not turns:
        return f"{text} The turner turns the sample over: nobody is needed."
    passages = f"passage{'s' * (len(legs) > 1)} {listed(legs)}"
    return f"{text} Turn the sample over before {passages}, about {listed(turns)} after the start."
