"""A run for other programs: a labelled data set (xarray), HDF5 and Parquet files, with units and
uncertainties.

An HDF5 file follows netCDF4's convention (h5netcdf): HDF5 with named dimensions and attributes.
"""

from __future__ import annotations

import json
from pathlib import Path
from typing import TYPE_CHECKING, Any

from .figures.names import FIGURE_NAMES
from .records.readings import COLUMNS, RAW_COLUMNS, RawReadings
from .results import LoopResult

if TYPE_CHECKING:
    from xarray import Dataset

#: The columns found for each reading: unit, what it is.
FOUND = {
    "force_N": ("N", "attraction of sample and reference magnet, positive"),
    "H_applied_A_per_m": ("A/m", "applied field, volume mean"),
    "H_internal_A_per_m": ("A/m", "internal field: applied less N M"),
    "M_A_per_m": ("A/m", "magnetisation, volume mean"),
    "u_M_A_per_m": ("A/m", "standard uncertainty of the magnetisation"),
    "branch": ("", "first, descending or ascending"),
    "used": ("", "whether the figures rest on this reading"),
    "why_not": ("", "why they do not"),
}


def _rows(result: LoopResult) -> list[dict[str, Any]]:
    """A dictionary a reading: the table of readings and what was found of each."""
    found = result.to_json()
    return [
        reading | {name: point[name] for name in FOUND}
        for reading, point in zip(found["readings"], found["points"], strict=True)
    ]


def _units() -> dict[str, dict[str, str]]:
    read = {name: {"units": unit, "long_name": words} for name, _, _, unit, words in COLUMNS}
    return read | {name: {"units": unit, "long_name": words} for name, (unit, words) in FOUND.items()}


def dataset_of(result: LoopResult, raw: RawReadings | None = None) -> Dataset:
    """The run as an xarray data set, SI: dimensions ``row`` (readings), ``figure`` and, if given, ``raw``."""
    import numpy as np
    import xarray as xr

    rows, units = _rows(result), _units()
    variables: dict[str, Any] = {}
    for name in rows[0] if rows else ():
        if name == "row":
            continue
        cells = [row[name] for row in rows]
        if any(isinstance(cell, str) for cell in cells) or all(cell is None for cell in cells):
            column = np.array(["" if cell is None else str(cell) for cell in cells])
        else:
            column = np.array([np.nan if cell is None else cell for cell in cells])
        variables[name] = ("row", column, units[name])
    figures = {key: result.figures[key] for key in FIGURE_NAMES if key in result.figures}
    for part in ("value", "u", "low95", "high95"):
        cells = [getattr(f, part) for f in figures.values()]
        variables[f"figure_{part}"] = ("figure", np.array([np.nan if c is None else c for c in cells], float))
    variables["figure_status"] = ("figure", np.array([f.status for f in figures.values()]))
    variables["figure_why"] = ("figure", np.array([f.why or "" for f in figures.values()]))
    if raw is not None:
        for name, field, kind, unit, words in RAW_COLUMNS:
            column = getattr(raw, field)
            if kind == "string":
                column = np.array([cell or "" for cell in column])
            variables[f"raw_{name}"] = ("raw", column, {"units": unit, "long_name": words})
    coordinates = {"row": [row["row"] for row in rows], "figure": list(figures)}
    return xr.Dataset(variables, coordinates, _about(result))


def _about(result: LoopResult) -> dict[str, Any]:
    found = result.to_json()
    return {
        "sample": found["sample"],
        "source": result.readings.source,
        "started": result.readings.started,
        "method": found["method"]["used"],
        "trials": result.trials,
        "seed": result.seed,
        "warnings": json.dumps(found["warnings"], ensure_ascii=False),
    }


def save(result: LoopResult, path: Path, raw: RawReadings | None = None) -> Path:
    """Write ``.h5``, ``.nc`` or ``.parquet`` (a table a file: raw readings in ``NAME.raw.parquet``). Raises
    ValueError for another ending."""
    if path.suffix in (".h5", ".nc"):
        dataset_of(result, raw).to_netcdf(path, engine="h5netcdf")
    elif path.suffix == ".parquet":
        _save_parquet(result, path)
        if raw is not None:
            _save_raw(raw, path.with_suffix(".raw.parquet"))
    else:
        raise ValueError(f"{path.name}: a run is saved as .h5, .nc or .parquet")
    return path


def _save_parquet(result: LoopResult, path: Path) -> None:
    import pyarrow as pa
    import pyarrow.parquet as pq

    table = pa.Table.from_pylist(_rows(result))
    units = _units()
    fields = [table.schema.field(name).with_metadata(units[name]) for name in table.schema.names]
    about = {**_about(result), "figures": json.dumps(result.to_json()["figures"], ensure_ascii=False)}
    metadata = {key: str(value) for key, value in about.items()}
    pq.write_table(table.cast(pa.schema(fields, metadata=metadata)), path)


def _save_raw(raw: RawReadings, path: Path) -> None:
    import pyarrow as pa
    import pyarrow.parquet as pq

    kinds = {"number": pa.float64(), "string": pa.string()}
    fields = [
        pa.field(name, kinds[kind], metadata={"units": unit, "long_name": words})
        for name, _, kind, unit, words in RAW_COLUMNS
    ]
    columns = {name: getattr(raw, field) for name, field, *_ in RAW_COLUMNS}
    pq.write_table(pa.table(columns, schema=pa.schema(fields)), path)
