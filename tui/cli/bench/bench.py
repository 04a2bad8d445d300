"""`weighloop bench`: a bench file from questions, or one that is there, checked and drawn."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from typing import TYPE_CHECKING

import click

from ... import bench_costs
from ..common import note, table

if TYPE_CHECKING:
    from ....analysis.records.bench import Bench
    from ...bench_form import Field


@click.command("bench")
@click.argument("path", metavar="FILE", type=click.Path(path_type=Path, dir_okay=False))
@click.option(
    "--answer", "answers", multiple=True, metavar="KEY=VALUE", help="Such as sample.diameter='6 mm'."
)
@click.option("--defaults", is_flag=True, help="Ask nothing: what is not answered is as offered.")
@click.option("--check", is_flag=True, help="Only check and draw the file that is there.")
@click.option("--listen/--no-listen", default=True, help="Find the balance by listening at the ports.")
@click.option("--drawing", type=click.Path(path_type=Path), help="Also draw the bench to scale (SVG).")
@click.option(
    "--costs/--no-costs", default=True, help="What each uncertainty costs the figures (some seconds)."
)
def command(
    path: Path,
    answers: tuple[str, ...],
    defaults: bool,
    check: bool,
    listen: bool,
    drawing: Path | None,
    costs: bool,
) -> None:
    """Make or check a bench FILE by questions: magnet, sample, gap, balance, lift, site.

    Answers are asked for on the terminal, or read a line each from standard input; an empty line takes what
    is offered. A file that is there is taken over: its values are what is offered.
    """
    from ....analysis.files.bench_file import parse_bench
    from ....analysis.files.text import read_text
    from ...bench_form import FIELDS, bench_text, values_of
    from ..inputs import bench_of

    if check:
        _show(bench_of(path), drawing, costs)
        return
    base = read_text(path, "bench file") if path.exists() else ""
    values = values_of(base)
    given = _given(answers, [field.key for field in FIELDS])
    if listen and not defaults and "balance.port" not in given:
        given |= _heard()
    values |= given
    _ask(values, given, ask=not defaults)
    text = f"# Made by `weighloop bench {path.name}`; check it with --check.\n" + bench_text(values, base)
    bench = parse_bench(text, str(path))
    if base and base != text:
        kept = path.with_suffix(path.suffix + ".before")
        kept.write_text(base, encoding="utf-8")
        note(f"The file as it was: {kept}")
    path.parent.mkdir(parents=True, exist_ok=True)
    path.write_text(text, encoding="utf-8")
    print(f"Wrote {path}.\n")
    bench_of(path)  # its questions
    _show(bench, drawing, costs)


def _given(answers: tuple[str, ...], keys: list[str]) -> dict[str, str]:
    from ....analysis.errors import nearest

    given = {}
    for answer in answers:
        key, mark, value = answer.partition("=")
        if not mark:
            raise click.BadParameter(
                f"{answer!r}; write key=value, such as sample.name=WP-07-1", param_hint="--answer"
            )
        if key.strip() not in keys:
            raise click.BadParameter(
                f"{key.strip()!r}; {nearest(key.strip(), keys, most=40)}", param_hint="--answer"
            )
        given[key.strip()] = value.strip().strip("\"'")
    return given


def _ask(values: dict[str, str], given: Mapping[str, str], ask: bool) -> None:
    """Go through the questions: a wrong answer is asked again; one given in the call is refused."""
    from ...bench_form import PAGES, holds

    for page, fields in PAGES.items():
        if ask:
            click.echo(f"\n{page}", err=True)
        for field in fields:
            if not holds(field, values):
                continue
            if ask and field.key not in given:
                offered = values[field.key]
                while True:
                    values[field.key] = _answer(field, offered)
                    if (fault := _fault(field, values)) is None:
                        break
                    click.echo(f"  {fault}", err=True)
                continue
            values[field.key] = _with_uncertainty(field, values[field.key])
            if field.key in given and (fault := _fault(field, values)) is not None:
                raise click.BadParameter(f"{field.key}: {fault}", param_hint="--answer")


def _answer(field: Field, offered: str) -> str:
    """One answer; ``?`` explains, nothing takes what is offered."""
    hint = f" ({' | '.join(field.choices) or field.hint})" if field.choices or field.hint else ""
    while True:
        answer = click.prompt(f"  {field.label}{hint}", default=offered, err=True).strip()
        if answer != "?":
            return _with_uncertainty(field, answer)
        known = bench_costs.SENSIBLE.get(field.key.partition(".")[2])
        more = f"; +/- {known[0]} is what {known[1]} gives" if known else ""
        click.echo(f"  {field.key} in the bench file, such as {field.default or '(nothing)'}{more}", err=True)


def _with_uncertainty(field: Field, answer: str) -> str:
    """The answer with a sensible standard uncertainty where it has none."""
    known = bench_costs.SENSIBLE.get(field.key.partition(".")[2])
    if known is None or any(mark in answer for mark in ("+/-", "±", "+-")):
        return answer
    if not any(letter.isalpha() for letter in answer):  # it lacks its unit: that is said of it first
        return answer
    return f"{answer} +/- {known[0]}"


def _fault(field: Field, values: Mapping[str, str]) -> str | None:
    """What is wrong with one answer, or None."""
    from ....analysis.errors import InputError, nearest
    from ....analysis.files.bench_file import parse_bench
    from ....daemon.balance_check import dialect_names
    from ...bench_form import bench_text, name_fault

    value = values[field.key]
    if field.key == "sample.name":
        return name_fault(value)
    if field.key == "balance.dialect":
        names = dialect_names()
        return None if value in names else f"{value!r} is no dialect known here; {nearest(value, names)}"
    try:
        parse_bench(bench_text(values))
    except InputError as error:
        own = [fault for fault in error.faults if fault.place == field.key]
        if own:
            return "; ".join(f"{fault.found}; {fault.expected}" for fault in own)
    return None


def _heard() -> dict[str, str]:
    """The ports of balance and lift: the one by listening, the other by asking, at each port in turn. Nothing
    is moved."""
    from ....daemon.balance_check import fits, lift_answers, port_lines

    found: dict[str, str] = {}
    for line in port_lines():
        name = line["stable_name"] or line["device"]
        note(f"Listening at {line['device']} ...")
        try:
            heard = [] if "balance.port" in found else fits(line["device"], 6.0)
            if heard and heard[0]["clear"] and heard[0]["dialect"]:
                note(f"  {heard[0]['words']}: taken as the balance")
                found |= {"balance.port": name, "balance.dialect": heard[0]["dialect"]}
            elif "lift.port" not in found and (lift := lift_answers(line["device"], 4.0)) is not None:
                note(f"  a lift answers ({lift}): taken as the lift")
                found |= {"lift.port": name, "gap.ladder": "lift"}
        except Exception as error:  # another program has it, or it is gone again: the next one
            note(f"  {error}")
    return found


def _show(bench: Bench, drawing: Path | None, costs: bool) -> None:
    """The bench as a sketch, and what its uncertainties cost."""
    print(bench_costs.sketch(bench))
    if drawing is not None:
        from ....analysis.report.bench_sketch import bench_drawing

        bench_drawing(bench, bench.gap.contact.value).savefig(drawing, format="svg")
        print(f"\nDrawn to scale: {drawing}")
    from ....analysis.planning.gap_ladder import plan

    plan(bench, 22)  # refuses a bench on which the magnet would be lifted off
    if not costs:
        return
    rows = [
        [
            one.printed,
            f"{100 * one.share_of_value:.1f} %",
            ", ".join(f"{name} {100 * share:.0f} %" for name, share in one.made_of),
        ]
        for one in bench_costs.costs_of(bench)
    ]
    if rows:
        print("\nWhat the uncertainties cost (a ferrite of 70 kA/m, readings to twice the last digit):")
        print(table(["figure", "u", "made of (share of the variance)"], rows))
