"""A run as an open data package, and back: CSV tables, their schema with units, bench file, figures.

After the Data Package and Table Schema specifications (specs.frictionlessdata.io). Numbers are
written so that reading them back gives the same bits, so the figures come out identical.
"""

from __future__ import annotations

import csv
import hashlib
import io
import json
import math
from collections.abc import Iterable, Sequence
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from .errors import Fault, InputError
from .files.bench_file import parse_bench
from .files.text import read_text
from .records.bench import Bench
from .records.readings import COLUMNS, Readings

if TYPE_CHECKING:
    from .results import LoopResult

DESCRIPTOR = "datapackage.json"

#: Columns of points.csv, as in the figures' JSON: name, type, unit, what it is.
_POINTS = (
    ("row", "integer", "", "number of the reading"),
    ("gap_m", "number", "m", "face to face"),
    ("orientation", "integer", "1", "+1 or -1"),
    ("force_N", "number", "N", "force, attraction positive"),
    ("H_applied_A_per_m", "number", "A/m", "applied field, averaged over the sample"),
    ("H_internal_A_per_m", "number", "A/m", "internal field: applied less N M"),
    ("M_A_per_m", "number", "A/m", "magnetisation, averaged over the sample"),
    ("u_M_A_per_m", "number", "A/m", "standard uncertainty of the magnetisation"),
    ("branch", "string", "", "first, descending or ascending"),
    ("used", "boolean", "", "whether the figures rest on it"),
    ("why_not", "string", "", "why it is set aside"),
)


def write_package(
    result: LoopResult,
    folder: str | Path,
    *,
    licence: str = "CC-BY-4.0",
    details: dict[str, Any] | None = None,
) -> Path:
    """Write ``result`` as a data package into ``folder`` (made if need be); returns the descriptor's path.

    ``details`` goes into the descriptor under ``weighloop`` (run number, program version).
    The descriptor is written last: a package without it was not finished.
    """
    folder = Path(folder)
    folder.mkdir(parents=True, exist_ok=True)
    data = result.to_json()
    rows = [record.values() for record in result.readings.records()]
    resources = [
        _table(folder, "readings", [(n, t, u, d) for n, _, t, u, d in COLUMNS], rows),
        _table(folder, "points", _POINTS, ([p[name] for name, *_ in _POINTS] for p in data["points"])),
        _file(folder, "bench", "bench.toml", result.bench.source_text, "application/toml", "the bench file"),
        _file(
            folder,
            "figures",
            "figures.json",
            json.dumps(data, indent=1, allow_nan=False),
            "application/json",
            "loop figures with intervals, warnings and points; SI, the unit is in every key",
        ),
    ]
    name = "".join(c if c.isalnum() else "-" for c in result.bench.sample.name.lower()).strip("-")
    descriptor = {
        "name": f"loop-{name or 'sample'}",
        "title": f"Hysteresis loop of {result.bench.sample.name}, weighed with a laboratory balance",
        "licenses": [{"name": licence}],
        "resources": resources,
        "weighloop": {"started": result.readings.started} | (details or {}),
    }
    path = folder / DESCRIPTOR
    path.write_text(json.dumps(descriptor, indent=1, ensure_ascii=False) + "\n", encoding="utf-8")
    return path


def is_package(path: str | Path) -> bool:
    """Whether ``path`` is a data package: its folder, or its descriptor."""
    path = Path(path)
    return path.name == DESCRIPTOR or (path / DESCRIPTOR).is_file()


def read_package(path: str | Path) -> tuple[Readings, Bench]:
    """Readings and bench of a package written by ``write_package``.

    ``path`` is the folder or the descriptor. Raises InputError where a file is missing, was changed
    since it was written (its checksum differs), or does not have the columns.
    """
    folder = Path(path).parent if Path(path).name == DESCRIPTOR else Path(path)
    source = str(folder / DESCRIPTOR)
    try:
        descriptor = json.loads(read_text(folder / DESCRIPTOR, "data package"))
        resources = {resource["name"]: resource for resource in descriptor["resources"]}
        texts = {name: _checked(folder, resources[name]) for name in ("readings", "bench")}
    except (json.JSONDecodeError, KeyError, TypeError) as error:
        wanted = "a package with the resources readings and bench"
        raise InputError(source, [Fault("descriptor", f"not readable ({error!r})", wanted)]) from None
    bench = parse_bench(texts["bench"], str(folder / resources["bench"]["path"]))
    about = descriptor.get("weighloop")
    started = about.get("started", "") if isinstance(about, dict) else ""
    readings = _readings(texts["readings"], str(folder / resources["readings"]["path"]))
    return replace(readings, started=str(started)), bench


def _table(
    folder: Path, name: str, columns: Sequence[tuple[str, str, str, str]], rows: Iterable[Iterable[Any]]
) -> dict[str, Any]:
    out = io.StringIO()
    writer = csv.writer(out, lineterminator="\n")
    writer.writerow([column for column, *_ in columns])
    writer.writerows([[_cell(value) for value in row] for row in rows])
    resource = _file(folder, name, f"{name}.csv", out.getvalue(), "text/csv", f"the {name}, a line each")
    fields = [
        {"name": column, "type": kind, "description": text} | ({"unit": unit} if unit else {})
        for column, kind, unit, text in columns
    ]
    schema = {"fields": fields, "missingValues": [""]}
    return resource | {"profile": "tabular-data-resource", "format": "csv", "schema": schema}


def _file(folder: Path, name: str, path: str, text: str, media: str, about: str) -> dict[str, Any]:
    raw = text.encode()
    (folder / path).write_bytes(raw)
    return {
        "name": name,
        "path": path,
        "description": about,
        "mediatype": media,
        "encoding": "utf-8",
        "bytes": len(raw),
        "hash": f"sha256:{hashlib.sha256(raw).hexdigest()}",
    }


def _cell(value: Any) -> str:
    """A value as CSV text; floats in the shortest form that reads back to the same bits."""
    if value is None or (isinstance(value, float | np.floating) and math.isnan(value)):
        return ""
    if isinstance(value, bool | np.bool_):
        return "true" if value else "false"
    if isinstance(value, float | np.floating):
        return repr(float(value))
    return str(value)


def _checked(folder: Path, resource: dict[str, Any]) -> str:
    path = folder / resource["path"]
    text = read_text(path, "part of a data package")
    if "hash" in resource and resource["hash"] != f"sha256:{hashlib.sha256(path.read_bytes()).hexdigest()}":
        fault = Fault("content", "it was changed since the package was written", "the file as written")
        raise InputError(str(path), [fault])
    return text


def _readings(text: str, source: str) -> Readings:
    rows = list(csv.DictReader(io.StringIO(text, newline="")))
    columns: dict[str, Any] = {}
    for name, field, kind, *_ in COLUMNS:
        cells = [row.get(name) for row in rows]
        try:
            if kind == "string":
                columns[field] = tuple(cell or ("" if field == "note" else None) for cell in cells)
            elif kind == "integer":
                columns[field] = np.array([int(cell or "") for cell in cells], dtype=np.int64)
            else:
                columns[field] = np.array([float(cell) if cell else np.nan for cell in cells])
        except ValueError as error:
            raise InputError(
                source, [Fault(f"column {name}", str(error), f"a column of type {kind}")]
            ) from None
    if np.isnan(columns["settled_in"]).all():
        columns["settled_in"] = None
    return Readings(**columns, source=source)
