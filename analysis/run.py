"""A run as scripts and notebooks use it: tables as pandas frames, single figures as quantities."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from functools import cached_property
from pathlib import Path
from typing import TYPE_CHECKING, Any, Literal

from .data_package import read_package as read_package_folder
from .data_package import read_raw
from .errors import Fault, InputError, nearest
from .figures.names import FIGURE_NAMES, FigureName, rows_of
from .files.bench_file import read_bench as read_bench_file
from .files.notebook import read_notebook as read_notebook_file
from .files.spreadsheet import read_tolerant
from .programmes.programme import KINDS, Kind
from .records.bench import Bench
from .records.readings import RawReadings, Readings

if TYPE_CHECKING:
    import pandas as pd
    from matplotlib.axes import Axes
    from pint import UnitRegistry
    from pint.facets.measurement.objects import Measurement
    from pint.facets.plain import PlainQuantity
    from pint.registry import ApplicationRegistry
    from xarray import Dataset

    from .programmes.results import ProgrammeResult
    from .results import LoopResult

    Registry = UnitRegistry[Any] | ApplicationRegistry

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
        with_: Sequence[Run] = (),
        guesses: tuple[str, ...] = (),
        raw: RawReadings | None = None,
    ) -> None:
        self.readings = readings
        self.bench = bench
        self.guesses = guesses
        #: Every reading the balance sent during the run; None where none was kept with it.
        self.raw = raw
        #: How it is analysed: method, trials, seed.
        self.settings: dict[str, Any] = {"method": method, "trials": trials, "seed": seed}
        self.others = tuple(with_)

    def analysed_with(
        self, *, method: str = "finite", trials: int = 10_000, seed: int = 1, with_: Sequence[Run] = ()
    ) -> Run:
        """The same run, analysed with other settings (see ``weighloop figures --help``). ``with_``: recoil,
        remanence or reversal runs of the same sample, which have a say in how its parts feel one another."""
        settings: dict[str, Any] = {"method": method, "trials": trials, "seed": seed, "with_": with_}
        return Run(self.readings, self.bench, guesses=self.guesses, raw=self.raw, **settings)

    @cached_property
    def result(self) -> LoopResult:
        """The whole result; ``result.to_json()`` is what ``weighloop figures --json`` prints. Raises
        ValueError for a run of another programme than the loop (see ``programme``)."""
        from .results import analyse

        if self.readings.gives != "loop":
            raise ValueError(f"a {self.readings.gives} run is no loop: .programme has what came of it")
        if not self.others:
            return analyse(self.readings, self.bench, **self.settings)
        from .programmes.other_runs import other_runs

        runs = (
            (run.readings.source or f"no. {i}", run.readings, run.bench)
            for i, run in enumerate(self.others, 1)
        )
        return analyse(self.readings, self.bench, others=other_runs(self.bench, runs), **self.settings)

    @cached_property
    def programme(self) -> ProgrammeResult:
        """The whole result of a run of another programme than the loop: its ``figures``, and the curves in
        ``found``. Raises ValueError for a loop."""
        from .programmes.results import analyse_programme
        from .programmes.settings import MOST_DRAWS

        if self.readings.gives == "loop":
            raise ValueError("a loop has its result in .result")
        draws = min(self.settings["trials"], MOST_DRAWS)
        return analyse_programme(self.readings, self.bench, draws=draws, seed=self.settings["seed"])

    @property
    def _either(self) -> LoopResult | ProgrammeResult:
        return self.result if self.readings.gives == "loop" else self.programme

    @property
    def _names(self) -> dict[str, FigureName]:
        from .programmes.names import NAMES

        return FIGURE_NAMES if self.readings.gives == "loop" else NAMES

    def figures(self, units: Units = "si") -> pd.DataFrame:
        """A row a figure: symbol, value, u, 95 % interval, unit, status, why; by its name in words."""
        import pandas as pd

        return (
            pd.DataFrame(rows_of(self._either.figures, self._names, units))
            .set_index("name")
            .drop(columns="key")
        )

    def figure(self, symbol: str) -> Measurement:
        """One figure by its symbol (``"HcJ"``) as a pint measurement: value and standard uncertainty.

        It knows what it has in common with the run's other figures, so that a ratio of two has the right
        uncertainty; its registry is the application's (``pint.get_application_registry()``).
        Raises KeyError for a symbol that there is not, ValueError (with the reason) for a figure that
        the data do not give.

        >>> run = read_notebook("analysis/examples/wp-07-1.csv")
        >>> quick = run.analysed_with(method="mean", trials=200)
        >>> ratio = quick.figure("HcJ") / quick.figure("HcB")
        >>> 1.0 < ratio.magnitude.n < 1.3
        True
        """
        names = self._names
        keys = {name.symbol: key for key, name in names.items() if key in self._either.figures}
        if symbol not in keys:
            raise KeyError(f"{symbol!r} is not a figure of this run; {nearest(symbol, keys, most=len(keys))}")
        found = self._either.figures[keys[symbol]]
        if found.status != "measured" or found.value is None or found.u is None:
            raise ValueError(f"{symbol} is {found.status}: {found.why}")
        if names is FIGURE_NAMES:
            return self.quantities()[symbol]
        import pint

        name, made = names[keys[symbol]], pint.get_application_registry()
        unit = name.unit() or "dimensionless"
        return made.Measurement(name.shown(found.value), name.shown(found.u), unit)

    def quantities(self, registry: Registry | None = None) -> dict[str, Measurement]:
        """All measured figures by symbol, correlated as their Monte Carlo trials are (JCGM 101:2008, 7).

        ``registry``: pint's, else the application's. What is a bound is in ``bounds``.
        """
        if registry is None:
            return self._quantities
        return self._in(registry)

    @cached_property
    def _quantities(self) -> dict[str, Measurement]:
        import pint

        return self._in(pint.get_application_registry())

    @cached_property
    def _correlated(self) -> dict[str, Any]:
        """Value and uncertainty of each measured figure, in the unit people read; correlated numbers."""
        import numpy as np
        from uncertainties import correlated_values

        figures, samples = self.result.figures, self.result.samples
        keys = [
            key
            for key in FIGURE_NAMES
            if key in figures and figures[key].status == "measured" and figures[key].u is not None
        ]
        varied = [key for key in keys if key in samples and np.nanstd(samples[key]) > 0]
        trials = np.array([samples[key] for key in varied])
        trials = trials[:, np.isfinite(trials).all(axis=0)]
        correlation = np.eye(len(keys))
        if len(varied) > 1 and trials.shape[1] > 2:
            at = [keys.index(key) for key in varied]
            correlation[np.ix_(at, at)] = np.corrcoef(trials)

        def shown(part: str) -> Any:
            return np.array([FIGURE_NAMES[key].shown(getattr(figures[key], part)) for key in keys])

        u = shown("u")
        numbers = correlated_values(shown("value"), correlation * np.outer(u, u))
        return dict(zip(keys, numbers, strict=True))

    def _in(self, registry: Registry) -> dict[str, Measurement]:
        # A measurement made of one number keeps its correlations with the others.
        measurement: Any = registry.Measurement
        return {
            FIGURE_NAMES[key].symbol: measurement(number, _unit(key))
            for key, number in self._correlated.items()
        }

    def bounds(self, registry: Registry | None = None) -> dict[str, PlainQuantity[float]]:
        """The figures that are lower bounds, by symbol: the true value is at least as large."""
        import pint

        made = registry or pint.get_application_registry()
        return {
            FIGURE_NAMES[key].symbol: made.Quantity(FIGURE_NAMES[key].shown(found.value), _unit(key))
            for key, found in self.result.figures.items()
            if found.status == "bound" and found.value is not None
        }

    def points(self) -> pd.DataFrame:
        """A row a reading: force, fields, magnetisation, why it is not used; SI, units in the names."""
        import pandas as pd

        return pd.DataFrame(self.result.to_json()["points"]).set_index("row")

    def warnings(self) -> pd.DataFrame:
        """A row a warning: code, text, rows."""
        import pandas as pd

        return pd.DataFrame(self._either.to_json()["warnings"], columns=["code", "text", "rows"])

    def plot(self, ax: Axes | None = None, what: Literal["M", "B", "pull", "budget"] = "M") -> Axes:
        """Draw the loop (``"M"`` or ``"B"`` against the internal field), the pull against the gap, or the
        budget of HcJ on a matplotlib axes; None: the current one. Returns the axes."""
        import matplotlib.pyplot as plt

        from .report import plots

        ax = plt.gca() if ax is None else ax
        rows = self.result.to_json()["points"]
        if what == "budget":
            plots.budget_drawing(self.result, "coercivity_HcJ_A_per_m", ax)
        else:
            draw = {
                "M": plots.magnetisation_drawing,
                "B": plots.induction_drawing,
                "pull": plots.pull_drawing,
            }
            draw[what](self.result, rows, ax)
        return ax

    def _repr_html_(self) -> str:
        """What a notebook shows: the loop or the programme's curves, the figures, the warnings."""
        from html import escape

        from .report.plots import magnetisation_drawing
        from .report.programme_drawings import DRAWINGS
        from .report.style import svg

        if self.readings.gives == "loop":
            drawing = svg(magnetisation_drawing(self.result, self.result.to_json()["points"]))
        else:
            drawing = "".join(svg(d) for _, d in DRAWINGS[self.programme.gives](self.programme.found))
        table = self.figures()[["symbol", "value", "u", "low95", "high95", "unit", "status"]]
        warnings = self.warnings()
        parts = [f"<h4>{escape(self.bench.sample.name)}: {len(self.readings)} readings</h4>", drawing]
        parts += [table.to_html(float_format="%.4g"), warnings.to_html() if len(warnings) else ""]
        return "".join(parts)

    def to_xarray(self) -> Dataset:
        """Readings and what was found of each (dimension ``row``), figures (``figure``), raw readings where
        they were kept (``raw``); units in the attributes, SI. Needs ``[desk]``."""
        from .exchange import dataset_of

        return dataset_of(self.result, self.raw)

    def save(self, path: str | Path) -> Path:
        """Write the run as ``.h5`` or ``.nc`` (all of ``to_xarray``) or ``.parquet`` (a row a reading; units
        and figures in the file's metadata; raw readings beside it in ``NAME.raw.parquet``). Raises
        ValueError for another ending. Needs ``[desk]``."""
        from .exchange import save

        return save(self.result, Path(path), self.raw)

    def report(self, path: str | Path) -> Path:
        """Write the report as one HTML file; returns its path."""
        from .report import write_programme, write_report

        if self.readings.gives == "loop":
            write_report(self.result, path)
        else:
            write_programme(self.programme, path)
        return Path(path)


def _unit(key: str) -> str:
    """A figure's unit as pint reads it."""
    return FIGURE_NAMES[key].unit().replace("m³", "m^3").replace("A·m²", "A*m^2") or "dimensionless"


def read_notebook(
    path: str | Path,
    bench: str | Path | Bench | None = None,
    *,
    tolerant: bool = False,
    programme: Kind = "loop",
) -> Run:
    """A run from a notebook CSV and its bench file; None: the file of the notebook's name beside it.

    ``tolerant`` reads spreadsheets' forms too (see ``Run.guesses``); ``programme``: what its readings are
    read off for. Raises InputError with every fault.
    """
    if programme not in KINDS:
        raise InputError("programme", [Fault("name", repr(programme), nearest(programme, KINDS))])
    record = bench if isinstance(bench, Bench) else read_bench_file(bench or Path(path).with_suffix(".toml"))
    guesses: Sequence[str] = ()
    if tolerant:
        readings, guesses = read_tolerant(path, record)
    else:
        readings = read_notebook_file(path, record)
    return Run(replace(readings, gives=programme), record, guesses=tuple(guesses))


def read_package(path: str | Path) -> Run:
    """A run from an open data package (its folder or its datapackage.json). Raises InputError."""
    return Run(*read_package_folder(path), raw=read_raw(path))
