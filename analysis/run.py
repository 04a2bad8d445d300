"""A run as scripts and notebooks use it: tables as pandas frames, single figures as quantities."""

from __future__ import annotations

from functools import cached_property
from pathlib import Path
from typing import TYPE_CHECKING, Any, Literal

from .data_package import read_package as read_package_folder
from .figures.names import FIGURE_NAMES
from .files.bench_file import read_bench as read_bench_file
from .files.notebook import read_notebook as read_notebook_file
from .files.spreadsheet import read_tolerant
from .records.bench import Bench
from .records.readings import Readings

if TYPE_CHECKING:
    import pandas as pd

    from .results import LoopResult

Units = Literal["si", "cgs"]


class Run:
    """One run: readings and the bench they were taken on. Made by ``read_notebook`` or ``read_package``.

    The analysis runs at the first question that needs it; ``analysed_with`` gives a run with other
    settings. Nothing here is changed by asking. ``guesses`` are the tolerant reader's, in words.
    """

    def __init__(
        self,
        readings: Readings,
        bench: Bench,
        *,
        method: str = "finite",
        trials: int = 10_000,
        seed: int = 1,
        guesses: tuple[str, ...] = (),
    ) -> None:
        self.readings = readings
        self.bench = bench
        self.guesses = guesses
        self._settings: dict[str, Any] = {"method": method, "trials": trials, "seed": seed}

    def analysed_with(self, *, method: str = "finite", trials: int = 10_000, seed: int = 1) -> Run:
        """The same run, analysed with other settings (see ``weighloop figures --help``)."""
        settings: dict[str, Any] = {"method": method, "trials": trials, "seed": seed}
        return Run(self.readings, self.bench, guesses=self.guesses, **settings)

    @cached_property
    def result(self) -> LoopResult:
        """The whole result; ``result.to_json()`` is what ``weighloop figures --json`` prints."""
        from .results import analyse

        return analyse(self.readings, self.bench, **self._settings)

    def figures(self, units: Units = "si") -> pd.DataFrame:
        """A row a figure: symbol, value, u, 95 % interval, unit, status, why; by its name in words."""
        import pandas as pd

        return pd.DataFrame(self.result.figure_rows(units)).set_index("name").drop(columns="key")

    def figure(self, symbol: str) -> Any:
        """One figure by its symbol (``"HcJ"``) as a pint measurement: value and standard uncertainty.

        Raises KeyError for a symbol that there is not, ValueError (with the reason) for a figure that
        the data do not give.
        """
        from .units import registry

        keys = {name.symbol: key for key, name in FIGURE_NAMES.items() if key in self.result.figures}
        if symbol not in keys:
            raise KeyError(f"{symbol!r} is not a figure of this run; there are {', '.join(keys)}")
        name, found = FIGURE_NAMES[keys[symbol]], self.result.figures[keys[symbol]]
        if found.status != "measured" or found.value is None or found.u is None:
            raise ValueError(f"{symbol} is {found.status}: {found.why}")
        quantity = registry().Quantity
        unit = name.unit().replace("m3", "m^3").replace("A m2", "A*m^2") or "dimensionless"
        return quantity(name.shown(found.value), unit).plus_minus(name.shown(found.u))

    def points(self) -> pd.DataFrame:
        """A row a reading: force, fields, magnetisation, why it is not used; SI, units in the names."""
        import pandas as pd

        return pd.DataFrame(self.result.to_json()["points"]).set_index("row")

    def warnings(self) -> pd.DataFrame:
        """A row a warning: code, text, rows."""
        import pandas as pd

        return pd.DataFrame(self.result.to_json()["warnings"], columns=["code", "text", "rows"])

    def report(self, path: str | Path) -> Path:
        """Write the report as one HTML file; returns its path."""
        from .report import write_report

        write_report(self.result, path)
        return Path(path)


def read_notebook(
    path: str | Path, bench: str | Path | Bench | None = None, *, tolerant: bool = False
) -> Run:
    """A run from a notebook CSV and its bench file; None: the file of the notebook's name beside it.

    ``tolerant`` reads spreadsheets' forms too (see ``Run.guesses``). Raises InputError with every fault.
    """
    record = bench if isinstance(bench, Bench) else read_bench_file(bench or Path(path).with_suffix(".toml"))
    if not tolerant:
        return Run(read_notebook_file(path, record), record)
    readings, guesses = read_tolerant(path, record)
    return Run(readings, record, guesses=tuple(guesses))


def read_package(path: str | Path) -> Run:
    """A run from an open data package (its folder or its datapackage.json). Raises InputError."""
    return Run(*read_package_folder(path))
