"""Several loops of one sample on the command line: what they are of, and their table."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from ..common import like, note, progress, significant, table
from ..inputs import is_run, named_input, open_store

if TYPE_CHECKING:
    from ....analysis.repeat import RepeatResult

REPEAT = "repeat"


def is_repeat(sources: Sequence[str], programme: str | None) -> bool:
    """Whether the inputs are loops of one sample to be followed. Raises UsageError for several of another
    programme."""
    if len(sources) > 1 and programme not in (None, REPEAT):
        raise click.UsageError(
            f"one INPUT is read off for {programme}; several are loops of one sample (--programme {REPEAT})"
        )
    return len(sources) > 1 or programme == REPEAT


def repeat_of(sources: Sequence[str], method: str, trials: int, seed: int, **where: Any) -> RepeatResult:
    """The loops analysed, one by one; a single run's number stands for all runs it was started with. Those
    that give no loop are left out, and named."""
    from ....analysis.errors import WeighloopError
    from ....analysis.repeat import analyse_loops

    inputs = []
    whole = _with_its_series(sources, where["store_path"])
    for source in whole:
        try:
            readings, bench = named_input(source, named=None, **where)
        except WeighloopError as error:
            if len(whole) == len(sources):  # named one by one
                raise
            note(f"{source}: left out: {error}")
            continue
        if readings.gives == "loop":
            inputs.append((readings, bench))
        else:
            note(f"{source}: left out: a {readings.gives} run is no loop")

    def done(number: int) -> None:
        progress(f"{number} of {len(inputs)}" if number < len(inputs) else "")

    return analyse_loops(inputs, method=method, trials=trials, seed=seed, progress=done)


def _with_its_series(sources: Sequence[str], store_path: Path | None) -> list[str]:
    if len(sources) > 1 or not is_run(sources[0]):
        return list(sources)
    from ....daemon.store.night import runs_of_series

    with open_store(store_path) as store:
        return [str(number) for number in runs_of_series(store, int(sources[0]))]


def repeat_table(r: RepeatResult, units: str = "si") -> str:
    """The loops, what they repeat to, and the temperature coefficients, as people read them."""
    from ....analysis.figures.names import FIGURE_NAMES

    shown = {line.figure: line for line in r.repeatability}
    rows = []
    for loop, hour, degrees in zip(r.loops, r.hours, r.degrees, strict=True):
        row = [loop.name, _cell(hour, 2), _cell(degrees, 1)]
        for key, line in shown.items():
            name, figure = FIGURE_NAMES[key], loop.figures.get(key)
            measured = figure is not None and figure.status == "measured" and figure.value is not None
            spread = name.shown(max(line.expected, line.scatter), units) or None
            row.append(like(name.shown(figure.value, units), spread) if measured else "-")  # type: ignore[union-attr]
        rows.append(row)
    heads = [f"{FIGURE_NAMES[key].printed} /({FIGURE_NAMES[key].unit(units)})" for key in shown]
    parts = [table(["loop", "time /h", "T /°C", *heads], rows)]
    rows = []
    for key, line in shown.items():
        name = FIGURE_NAMES[key]
        scatter, expected = (name.shown(v, units) for v in (line.scatter, line.expected))
        hourly = ["-", "-"]
        if line.per_hour is not None and line.u_per_hour is not None:
            slope, u = name.shown(line.per_hour, units), name.shown(line.u_per_hour, units)
            hourly = [like(slope, u), significant(u, 2)]
        percent = significant(100 * line.scatter / abs(line.mean), 2)
        mean = like(name.shown(line.mean, units), scatter or None)
        row = [name.printed, str(line.loops), mean, significant(scatter, 2), percent]
        rows.append([*row, significant(expected, 2), *hourly, name.unit(units)])
    if rows:
        parts.append(
            table(
                ["figure", "loops", "mean", "scatter", "in %", "by readings", "per hour", "u", "unit"], rows
            )
        )
        parts.append('"scatter": of one loop, apart from what goes with temperature and time.')
    parts += [_coefficient(c) for c in r.coefficients]
    return "\n\n".join(parts)


def _coefficient(c: Any) -> str:
    from ....analysis.figures.names import FIGURE_NAMES

    words = FIGURE_NAMES[c.figure].words
    if c.value is None:
        return f"Temperature coefficient of the {words}, {c.symbol}: not determined. {c.why}"
    value, u, low, high = (100.0 * v for v in (c.value, c.u, c.low95, c.high95))
    parts = ", ".join(f"{line.input} {100 * line.share:.0f} %" for line in c.budget[:3])
    return (
        f"Temperature coefficient of the {words}, {c.symbol}: {like(value, u)} %/K, u {significant(u, 2)}, "
        f"95 % interval {like(low, u)} .. {like(high, u)} (of u²: {parts})"
    )


def _cell(value: float, places: int) -> str:
    return f"{value:.{places}f}" if value == value else "-"
