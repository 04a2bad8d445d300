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

#: A name, and the module it stands in.
_DOORS = {
    "Bench": "analysis.records.bench",
    "InputError": "analysis.errors",
    "NotPossible": "analysis.errors",
    "Run": "analysis.run",
    "SingleSteps": "daemon.single_steps",
    "WeighloopError": "analysis.errors",
    "calibrate": "analysis.desk",
    "compare": "analysis.desk",
    "demag": "analysis.desk",
    "field": "analysis.desk",
    "plan": "analysis.desk",
    "read_bench": "analysis.files.bench_file",
    "read_notebook": "analysis.run",
    "read_package": "analysis.run",
    "read_run": "daemon.store.run",
    "repeat": "analysis.desk",
    "unit_registry": "analysis.units",
}

__all__ = [
    "Bench",
    "InputError",
    "NotPossible",
    "Run",
    "SingleSteps",
    "WeighloopError",
    "calibrate",
    "compare",
    "demag",
    "field",
    "plan",
    "read_bench",
    "read_notebook",
    "read_package",
    "read_run",
    "repeat",
    "unit_registry",
]

if TYPE_CHECKING:
    # Installed, these resolve; from the source tree a checker cannot follow the mapping of folders.
    from weighloop.analysis.desk import (  # pyright: ignore[reportMissingImports]
        calibrate,
        compare,
        demag,
        field,
        plan,
        repeat,
    )
    from weighloop.analysis.errors import (  # pyright: ignore[reportMissingImports]
        InputError,
        NotPossible,
        WeighloopError,
    )
    from weighloop.analysis.files.bench_file import read_bench  # pyright: ignore[reportMissingImports]
    from weighloop.analysis.records.bench import Bench  # pyright: ignore[reportMissingImports]
    from weighloop.analysis.run import Run, read_notebook, read_package  # pyright: ignore[reportMissingImports]
    from weighloop.analysis.units import registry as unit_registry  # pyright: ignore[reportMissingImports]
    from weighloop.daemon.single_steps import SingleSteps  # pyright: ignore[reportMissingImports]
    from weighloop.daemon.store.run import read_run  # pyright: ignore[reportMissingImports]


def __getattr__(name: str) -> Any:
    if name not in _DOORS:
        raise AttributeError(f"weighloop has no {name!r}; it has {', '.join(__all__)}")
    module = import_module(f"weighloop.{_DOORS[name]}")
    return getattr(module, "registry" if name == "unit_registry" else name)


def __dir__() -> list[str]:
    return [*__all__, "__version__"]
