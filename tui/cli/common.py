"""What several verbs share: options, quantities as arguments, tables, JSON out."""

from __future__ import annotations

import json
import math
import os
import re
import sys
from collections.abc import Sequence
from pathlib import Path
from typing import Any

import click

json_option = click.option("--json", "as_json", is_flag=True, help="Print the result as JSON, in SI units.")
bench_option = click.option(
    "--bench", "bench_path", type=click.Path(path_type=Path), required=True, help="The bench file (TOML)."
)
store_option = click.option(
    "--store", "store_path", type=click.Path(path_type=Path), help="The store; the user's own by default."
)


class OneOf(click.Choice):
    """One of several words; a wrong one is answered by the nearest."""

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> Any:
        try:
            return super().convert(value, param, ctx)
        except click.BadParameter as error:
            from ...analysis.errors import nearest

            near = nearest(str(value), self.choices)
            self.fail(
                error.message + (f" Did you {near[8:]}" if near.startswith("did you ") else ""), param, ctx
            )


class Quantity(click.ParamType):
    """An argument such as `5mm`, turned into an SI float; ``like`` is an example of what is right."""

    name = "quantity"

    def __init__(self, unit: str, like: str = "") -> None:
        self.unit, self.like = unit, like

    def read(self, text: str) -> Any:
        """The argument's value; raises ValueError in words."""
        from ...analysis.units import parse

        return parse(text, self.unit, self.like)

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> Any:
        if not isinstance(value, str):
            return value
        try:
            return self.read(value)
        except ValueError as error:
            self.fail(str(error), param, ctx)

    def get_metavar(self, param: click.Parameter, ctx: click.Context | None = None) -> str:
        return f"QUANTITY[{self.unit}]"


class Speed(click.ParamType):
    """How fast a rehearsal is, times as fast as life."""

    name = "speed"

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> float:
        if isinstance(value, float):
            return value
        try:
            speed = float(value) if value.isascii() else math.nan
        except ValueError:
            speed = math.nan
        if not 1e-3 <= speed <= 1e4:  # also where it is no number
            self.fail(f"{value!r} is not a number from 0.001 to 10000, such as 40", param, ctx)
        return speed


class PageFile(click.Path):
    """Where a page is written: a name ending in .html or .pdf."""

    def __init__(self) -> None:
        super().__init__(dir_okay=False, path_type=Path)

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> Any:
        from ...analysis.errors import InputError, NotPossible
        from ...analysis.report.output import page_file

        try:
            path = Path(page_file(value))
            if not path.parent.is_dir():
                raise NotPossible(f"there is no folder {str(path.parent)!r}; make it first")
            return super().convert(path, param, ctx)
        except InputError as error:
            self.fail(str(error), param, ctx)


class Whole(click.IntRange):
    """A whole number in a range, written with the digits 0 to 9."""

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> Any:
        if not str(value).isascii():
            self.fail(f"{value!r} is not a whole number; digits are 0 to 9", param, ctx)
        try:
            int(value)
        except ValueError:
            self.fail(f"{value!r} is not a whole number from {self.min} to {self.max}", param, ctx)
        return super().convert(value, param, ctx)


#: Seeds that every generator of random numbers here takes.
SEED = Whole(0, 2**32 - 1)


def need_terminal() -> None:
    """The screen draws on a terminal and hears its keys; without one it would draw for nobody."""
    if "TEXTUAL_DRIVER" in os.environ:  # a browser's window, or a test, is the terminal
        return
    ends = {"standard input": sys.stdin, "standard output": sys.stdout}
    for name, stream in ends.items():
        if stream is None or not stream.isatty():
            raise click.UsageError(f"the screen needs a terminal; {name} is none")


class MeasuredQuantity(Quantity):
    """An argument such as `"5 mm +/- 0.1 mm"`: a value and its standard uncertainty, SI."""

    name = "quantity with uncertainty"

    def read(self, text: str) -> Any:
        from ...analysis.units import parse_measured

        return parse_measured(text, self.unit, self.like)


def print_json(data: Any) -> None:
    """Print strict JSON: a number that is not one becomes null. A list has one record a line."""
    if isinstance(data, list):
        print("[" + ",".join(f"\n {_json(record)}" for record in data) + "\n]")
    else:
        print(_json(data, indent=1))


def _json(data: Any, indent: int | None = None) -> str:
    try:
        return json.dumps(data, indent=indent, allow_nan=False, ensure_ascii=False)
    except (ValueError, TypeError):  # a number that is none, or numpy's
        return json.dumps(_strict(data), indent=indent, allow_nan=False, ensure_ascii=False)


def _strict(data: Any) -> Any:
    if isinstance(data, dict):
        return {key: _strict(value) for key, value in data.items()}
    if isinstance(data, list | tuple):
        return [_strict(value) for value in data]
    if hasattr(data, "item"):  # a numpy scalar
        return _strict(data.item())
    return None if isinstance(data, float) and not math.isfinite(data) else data


def table(headers: Sequence[str], rows: Sequence[Sequence[str]]) -> str:
    """Columns in line: the first to the left, numbers to the right."""
    cells = [list(map(str, row)) for row in (headers, *rows)]
    columns = list(zip(*cells, strict=True))
    right = [all(map(_NUMERIC.match, column[1:])) for column in columns]
    widths = [max(map(len, column)) for column in columns]
    form = "  ".join(f"{{:{'>' if r else '<'}{w}}}" for w, r in zip(widths, right, strict=True))
    lines = [form.format(*row).rstrip() for row in cells]
    return "\n".join([lines[0], "-" * len(lines[0]), *lines[1:]])


#: A cell that stands to the right: empty, a dash, or what begins as a number does.
_NUMERIC = re.compile(r"-?\Z|[+-]*\.?[0-9]")


def significant(value: float | None, digits: int = 4) -> str:
    """A number to this many digits, without an exponent where people would not write one."""
    if value is None or not math.isfinite(value):
        return "-"
    if value == 0:
        return "0"
    decimals = digits - 1 - math.floor(math.log10(abs(value)))
    if decimals < -1 or decimals > 9 or abs(value) >= 1e7:
        return f"{value:.{digits - 1}e}"
    return f"{value:.{max(decimals, 0)}f}"


def like(value: float | None, u: float | None) -> str:
    """A value to the place where its uncertainty has its second digit (JCGM 100, 7.2.6)."""
    if value is None or value != value:
        return "-"
    if not u:
        return significant(value)
    from ...analysis.units import decimals

    # Adding zero takes the sign off a value that is zero as shown.
    return f"{round(value, decimals(u)) + 0.0:.{decimals(u)}f}"


def listed(words: Sequence[str]) -> str:
    """``3``, ``3 and 5``, ``3, 5 and 7``."""
    *before, last = words
    return f"{', '.join(before)} and {last}" if before else last


def progress(text: str) -> None:
    """One line of progress on standard error, only on a terminal; an empty text ends it."""
    if sys.stderr.isatty():
        print(f"\r\x1b[K{text}", end="" if text else "\n", file=sys.stderr, flush=True)


def note(text: str) -> None:
    """A remark for the person, apart from the result."""
    print(text, file=sys.stderr)
