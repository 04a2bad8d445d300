"""`weighloop bench`: a bench file from questions, or one that is there, checked and drawn."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from typing import TYPE_CHECKING

import click

from ..common import note, table

if TYPE_CHECKING:
    from ....analysis.records.bench import Bench
    from ...bench_form import Field

#: The standard uncertainty offered where none is given, and what it takes. Common practice, no source.
SENSIBLE = {
    "diameter": ("0.02 mm", "a calliper"),
    "length": ("0.02 mm", "a calliper"),
    "width": ("0.02 mm", "a calliper"),
    "outer_diameter": ("0.02 mm", "a calliper"),
    "inner_diameter": ("0.02 mm", "a calliper"),
    "height": ("0.02 mm", "a calliper; 0.005 mm with a micrometer"),
    "remanence": ("0.02 T", "a data sheet; 0.005 T after `weighloop calibrate`"),
    "contact": ("0.05 mm", "a feeler gauge; 0.02 mm after `weighloop calibrate`"),
    "spacer": ("0.02 mm", "a calliper over a stack of ten"),
    "mass": ("1 mg", "the balance itself"),
    "latitude": ("0.1 deg", "a map"),
    "altitude": ("20 m", "a map"),
    "temperature": ("1 degC", "a room thermometer"),
}

#: The sample that the costs are for: saturation, HcJ and width of the switching, A/m. It saturates on a
#: usual bench, so that none of its figures is a bound.
SUPPOSED = (300e3, 70e3, 20e3)


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
                while True:
                    values[field.key] = _answer(field, values[field.key])
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
        known = SENSIBLE.get(field.key.partition(".")[2])
        more = f"; +/- {known[0]} is what {known[1]} gives" if known else ""
        click.echo(f"  {field.key} in the bench file, such as {field.default or '(nothing)'}{more}", err=True)


def _with_uncertainty(field: Field, answer: str) -> str:
    """The answer with a sensible standard uncertainty where it has none."""
    known = SENSIBLE.get(field.key.partition(".")[2])
    if known is None or not answer or any(mark in answer for mark in ("+/-", "±", "+-")):
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
    """The balance's port and dialect, by listening at each port; the other port is offered as the lift's."""
    from ....daemon.balance_check import fits, port_lines

    found: dict[str, str] = {}
    ports = port_lines()
    for line in ports:
        note(f"Listening at {line['device']} ...")
        try:
            heard = fits(line["device"], 6.0)
        except Exception as error:  # another program has it, or it is gone again: the next one
            note(f"  {error}")
            continue
        if heard and heard[0]["clear"] and heard[0]["dialect"]:
            name = line["stable_name"] or line["device"]
            note(f"  {heard[0]['words']}: taken as the balance")
            found = {"balance.port": name, "balance.dialect": heard[0]["dialect"]}
            others = [one for one in ports if one is not line]
            if len(others) == 1:
                found["lift.port"] = others[0]["stable_name"] or others[0]["device"]
            break
    return found


def _show(bench: Bench, drawing: Path | None, costs: bool) -> None:
    """The bench as a sketch, and what its uncertainties cost."""
    print(sketch(bench))
    if drawing is not None:
        from ....analysis.report.bench_sketch import bench_drawing

        bench_drawing(bench, bench.gap.contact.value).savefig(drawing, format="svg")
        print(f"\nDrawn to scale: {drawing}")
    from ....analysis.planning.gap_ladder import plan

    plan(bench, 22)  # refuses a bench on which the magnet would be lifted off
    if not costs:
        return
    import numpy as np

    from ....analysis.figures.names import FIGURE_NAMES
    from ....analysis.planning.expected_uncertainty import expected

    H = np.linspace(-400e3, 400e3, 401)
    supposed = H, SUPPOSED[0] * np.tanh((H + SUPPOSED[1]) / SUPPOSED[2])
    result = expected(plan(bench, 22, loop=supposed), bench)
    rows = []
    for key in ("remanence_A_per_m", "coercivity_HcJ_A_per_m", "BHmax_J_per_m3"):
        figure, name = result.figures.get(key), FIGURE_NAMES[key]
        if figure is None or not figure.u or not figure.value:
            continue
        most = [
            f"{line.input.replace('_', ' ')} {line.share:.0%}"
            for line in result.budget.get(key, ())[:3]
            if line.share > 0.02
        ]
        rows.append([name.printed, f"{figure.u / abs(figure.value):.1%}", ", ".join(most)])
    if rows:
        print("\nWhat the uncertainties cost (a ferrite of 70 kA/m, readings to twice the last digit):")
        print(table(["figure", "u", "made of (share of the variance)"], rows))


def sketch(bench: Bench) -> str:
    """The bench in section, in characters: sample above, gap, reference magnet on its riser."""
    magnet, sample = bench.reference_magnet, bench.sample
    across = magnet.diameter or magnet.outer_diameter or magnet.length
    wide = sample.diameter or sample.length or sample.height
    assert across is not None
    scale = 36 / max(across.value, wide.value)
    m, s = max(6, round(across.value * scale)), max(4, round(wide.value * scale))

    def box(width: int, mark: str, label: str) -> list[str]:
        body = label if len(label) <= width - 2 else ""
        lines = ["+" + "-" * width + "+", "|" + body.center(width, mark) + "|", "+" + "-" * width + "+"]
        return [
            line.center(m + 4).rstrip() + ("" if body or i != 1 else f"  {label}")
            for i, line in enumerate(lines)
        ]

    def mm(value: float) -> str:
        return f"{value * 1e3:.4g} mm"

    size = f"{mm(wide.value)} x {mm(sample.height.value)}"
    lines = box(s, " ", f"{sample.name}, {size}")
    lines.append(f"{'|':^{m + 4}}".rstrip() + f"  smallest gap {mm(bench.gap.contact.value)}")
    lines += box(m, " ", f"{magnet.remanence.value:.3g} T, {mm(across.value)} x {mm(magnet.height.value)}")
    lines.append("/ riser \\".center(m + 4).rstrip())
    pan = f"  pan of the balance, {bench.balance.capacity * 1e3:g} g, {bench.balance.resolution * 1e6:g} mg"
    lines.append(("=" * (m + 2)).center(m + 4).rstrip() + pan)
    return "\n".join(lines)
