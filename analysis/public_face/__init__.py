"""Weighloop: weighs a magnet's hysteresis loop with a laboratory balance.

For scripts and notebooks::

    import weighloop as wl

    run = wl.read_notebook("wp-07-3.csv", bench="bench.toml")
    run.figures()        # a pandas table
    run.figure("HcJ")    # one quantity with its standard uncertainty

The names below are reached on demand, so that importing the package costs nothing.
"""

from __future__ import annotations

from importlib import import_module
from typing import TYPE_CHECKING, Any

__version__ = "0.1.0"

_DOORS = {
    "Run": "run",
    "read_notebook": "run",
    "read_package": "run",
    "read_bench": "files.bench_file",
    "Bench": "records.bench",
    "InputError": "errors",
    "NotPossible": "errors",
}

__all__ = ["Bench", "InputError", "NotPossible", "Run", "read_bench", "read_notebook", "read_package"]

if TYPE_CHECKING:
    # Installed, these resolve; from the source tree a checker cannot follow the mapping of folders.
    from weighloop.analysis.errors import InputError, NotPossible  # pyright: ignore[reportMissingImports]
    from weighloop.analysis.files.bench_file import read_bench  # pyright: ignore[reportMissingImports]
    from weighloop.analysis.records.bench import Bench  # pyright: ignore[reportMissingImports]
    from weighloop.analysis.run import Run, read_notebook, read_package  # pyright: ignore[reportMissingImports]


def __getattr__(name: str) -> Any:
    if name not in _DOORS:
        raise AttributeError(f"weighloop has no {name!r}; it has {', '.join(__all__)}")
    return getattr(import_module(f"weighloop.analysis.{_DOORS[name]}"), name)


def __dir__() -> list[str]:
    return [*__all__, "__version__"]
