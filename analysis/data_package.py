"""A run as an open data package, and back: CSV tables, their schema with units, bench file, figures.

After the Data Package and Table Schema specifications (specs.frictionlessdata.io). Numbers are
written so that reading them back gives the same bits, so the figures come out identical.
"""

from __future__ import annotations

import csv
import errno
import hashlib
import io
import json
import math
import os
import re
import tempfile
from collections.abc import Iterable, Sequence
from dataclasses import asdict, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from .errors import Fault, Finding, InputError
from .files.bench_file import parse_bench
from .files.text import decoded, plain_number, read_bytes, read_text
from .records.bench import Bench
from .records.readings import COLUMNS, RAW_COLUMNS, RawReadings, Readings

if TYPE_CHECKING:
    from .programmes.results import ProgrammeResult
    from .results import LoopResult

DESCRIPTOR = "datapackage.json"
PART = "part of a data package"

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

#: Field of the readings, least and most (SI), and the same in words.
_LIMITS = (
    ("gap", 0.0, 100.0, "a gap from 0 to 100 m"),
    ("reading", -1e6, 1e6, "a reading below 1000 t"),
    ("zero_before", -1e6, 1e6, "a reading below 1000 t"),
    ("zero_after", -1e6, 1e6, "a reading below 1000 t"),
    ("u_reading", 1e-15, 1e6, "an uncertainty above zero"),
    ("temperature", 223.0, 423.2, "a temperature from -50 degC to 150 degC"),
)


def write_package(
    result: LoopResult | ProgrammeResult,
    folder: str | Path,
    *,
    licence: str = "CC-BY-4.0",
    details: dict[str, Any] | None = None,
    raw: RawReadings | None = None,
) -> Path:
    """Write ``result`` as a data package into ``folder``, a new or an empty one; gives the descriptor's path.

    ``details`` goes into the descriptor under ``weighloop`` (run number, program version), ``raw`` into a
    table of its own. The package is made beside its place and moved there whole. Raises InputError where
    something lies there.
    """
    target = Path(folder)
    if target.is_symlink() or (target.exists() and not (target.is_dir() and not any(target.iterdir()))):
        found = "a link" if target.is_symlink() else "there already, and not an empty folder"
        raise InputError(str(target), [Fault("folder", found, "the name of a new or an empty folder")])
    try:
        target.parent.mkdir(parents=True, exist_ok=True)
    except FileExistsError:
        raise NotADirectoryError(errno.ENOTDIR, os.strerror(errno.ENOTDIR), str(target.parent)) from None
    with tempfile.TemporaryDirectory(prefix=f".{target.name}-", dir=target.parent) as place:
        _write(result, Path(place) / target.name, licence, details or {}, raw)
        if target.exists():
            target.rmdir()  # an empty one; on some systems nothing is moved onto it
        os.replace(Path(place) / target.name, target)
    return target / DESCRIPTOR


def _write(
    result: LoopResult | ProgrammeResult,
    folder: Path,
    licence: str,
    details: dict[str, Any],
    raw: RawReadings | None,
) -> None:
    folder.mkdir()
    data, gives = result.to_json(), result.readings.gives
    what = "Hysteresis loop" if gives == "loop" else gives.capitalize()
    rows = [record.values() for record in result.readings.records()]
    resources = [
        _table(folder, "readings", _schema(COLUMNS), rows),
        _file(folder, "bench", "bench.toml", result.bench.source_text, "application/toml", "the bench file"),
        _file(
            folder,
            "figures",
            "figures.json",
            json.dumps(data, indent=1, allow_nan=False),
            "application/json",
            "loop figures with intervals, warnings and points; SI, the unit is in every key"
            if gives == "loop"
            else "what the run gives, with uncertainties; SI",
        ),
    ]
    if "points" in data:
        rows = ([p[name] for name, *_ in _POINTS] for p in data["points"])
        resources.insert(1, _table(folder, "points", _POINTS, rows))
    if raw is not None:
        rows = zip(*(getattr(raw, field) for _, field, *_ in RAW_COLUMNS), strict=True)
        resources.append(_table(folder, "raw", _schema(RAW_COLUMNS), rows))
    name = "".join(c if c.isalnum() else "-" for c in result.bench.sample.name.lower()).strip("-")
    descriptor = {
        "name": f"{gives}-{name or 'sample'}",
        "title": f"{what} of {result.bench.sample.name}, weighed with a laboratory balance",
        "licenses": [{"name": licence}],
        "resources": resources,
        "weighloop": {
            "started": result.readings.started,
            "remarks": [asdict(remark) for remark in result.readings.remarks],
        }
        | ({} if gives == "loop" else {"gives": gives})
        | details,
    }
    text = json.dumps(descriptor, indent=1, ensure_ascii=False) + "\n"
    # What is no letter, of a file's name, is written by its code, as JSON writes one.
    (folder / DESCRIPTOR).write_text(text, encoding="utf-8", errors="backslashreplace")


def is_package(path: str | Path) -> bool:
    """Whether ``path`` is a data package: its folder, or its descriptor."""
    path = Path(path)
    return path.name == DESCRIPTOR or (path / DESCRIPTOR).is_file()


def read_package(path: str | Path) -> tuple[Readings, Bench]:
    """Readings and bench of a package written by ``write_package``.

    ``path`` is the folder or the descriptor. Raises InputError where a file is missing, was changed
    since it was written (its checksum differs), or does not have the columns.
    """
    folder, descriptor, resources = _opened(path)
    try:
        texts = {name: _checked(folder, resources[name]) for name in ("readings", "bench")}
    except (KeyError, TypeError) as error:
        raise _no_package(folder, error) from None
    bench = parse_bench(texts["bench"], str(folder / resources["bench"]["path"]))
    about = descriptor.get("weighloop")
    about = about if isinstance(about, dict) else {}
    readings = _readings(texts["readings"], str(folder / resources["readings"]["path"]))
    remarks = _remarks(about.get("remarks"), set(readings.row.tolist()))
    gives = about.get("gives")
    readings = replace(readings, gives=gives if isinstance(gives, str) and len(gives) < 80 else "loop")
    return replace(readings, started=str(about.get("started", "")), remarks=remarks), bench


def _remarks(given: Any, rows: set[int]) -> tuple[Finding, ...]:
    """What was said of the readings when they were written; nothing of what is no such remark."""
    found = []
    for one in given if isinstance(given, list) else ():
        code, text, about = (one.get(k) if isinstance(one, dict) else None for k in ("code", "text", "rows"))
        if isinstance(code, str) and isinstance(text, str) and isinstance(about, list):
            found.append(Finding(code, text, tuple(r for r in about if type(r) is int and r in rows)))
    return tuple(found)


def read_raw(path: str | Path) -> RawReadings | None:
    """The raw readings of a package; None where it was written without. Raises as ``read_package``."""
    folder, _, resources = _opened(path)
    if "raw" not in resources:
        return None
    try:
        text, source = _checked(folder, resources["raw"]), str(folder / resources["raw"]["path"])
    except (KeyError, TypeError) as error:
        raise _no_package(folder, error) from None
    return RawReadings(**_columns(text, source, RAW_COLUMNS))


def _opened(path: str | Path) -> tuple[Path, dict[str, Any], dict[str, Any]]:
    """A package's folder, its descriptor and its resources by name."""
    folder = Path(path).parent if Path(path).name == DESCRIPTOR else Path(path)
    try:
        descriptor = _json(read_text(folder / DESCRIPTOR, "data package", regular=True))
        return folder, descriptor, {resource["name"]: resource for resource in descriptor["resources"]}
    except (KeyError, TypeError) as error:
        raise _no_package(folder, error) from None


def _no_package(folder: Path, error: Exception) -> InputError:
    wanted = "a package with the resources readings and bench"
    return InputError(str(folder / DESCRIPTOR), [Fault("descriptor", f"not readable ({error!r})", wanted)])


def _json(text: str) -> Any:
    """Raises TypeError for what is no JSON, also where its brackets or numbers have no end."""
    try:
        return json.loads(text)
    except (ValueError, RecursionError) as error:
        raise TypeError(str(error)) from None


def _schema(columns: Sequence[tuple[str, str, str, str, str]]) -> list[tuple[str, str, str, str]]:
    return [(name, kind, unit, words) for name, _, kind, unit, words in columns]


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
    path = _inside(folder, resource["path"])
    content = read_bytes(path, PART, regular=True)
    text = decoded(content, str(path), PART)
    if "hash" in resource and resource["hash"] != f"sha256:{hashlib.sha256(content).hexdigest()}":
        fault = Fault("content", "it was changed since the package was written", "the file as written")
        raise InputError(str(path), [fault])
    return text


def _inside(folder: Path, name: Any) -> Path:
    """A part's path; what leads out of the package's folder, by its name or by a link, is refused."""
    if not isinstance(name, str):
        raise TypeError(f"the path {name!r} is no text")
    path = folder / name
    try:
        inside = path.resolve().is_relative_to(folder.resolve())
    except (OSError, ValueError, RuntimeError):  # a NUL in it; links in a circle
        inside = False
    if not inside:
        fault = Fault(
            f"resource path {name[:60]!r}", "it leads out of the package", "a file inside its folder"
        )
        raise InputError(str(folder / DESCRIPTOR), [fault])
    return path


def _readings(text: str, source: str) -> Readings:
    columns = _columns(text, source, COLUMNS)
    columns["note"] = tuple(note or "" for note in columns["note"])
    faults = _impossible(columns)
    if faults:
        raise InputError(source, faults)
    if np.isnan(columns["settled_in"]).all():
        columns["settled_in"] = None
    return Readings(**columns, source=source)


def _columns(text: str, source: str, wanted: Sequence[tuple[str, str, str, str, str]]) -> dict[str, Any]:
    """A table's columns by field: arrays, or tuples of texts with None for an empty cell."""
    try:
        rows = list(csv.DictReader(io.StringIO(text, newline="")))
    except csv.Error as error:
        raise InputError(source, [Fault("file", f"not CSV ({error})", "the table as written")]) from None
    columns: dict[str, Any] = {}
    for name, field, kind, *_ in wanted:
        cells = [row.get(name) for row in rows]
        try:
            if kind == "string":
                columns[field] = tuple(cell or None for cell in cells)
            elif kind == "integer":
                columns[field] = np.array([_integer(cell) for cell in cells], dtype=np.int64)
            else:
                columns[field] = np.array([_float(cell) for cell in cells], dtype=float)
        except ValueError as error:
            expected = f"a column of type {kind}"
            raise InputError(source, [Fault(f"column {name}", str(error), expected)]) from None
    return columns


def _integer(cell: str | None) -> int:
    if cell is None or not re.fullmatch(r"[+-]?[0-9]{1,18}", cell):
        raise ValueError(f"{cell!r} is no whole number")
    return int(cell)


def _float(cell: str | None) -> float:
    value = plain_number(cell) if cell else math.nan
    if cell and math.isnan(value):
        raise ValueError(f"{cell[:40]!r} is no number")
    return value


def _impossible(columns: dict[str, Any]) -> list[Fault]:
    """What no bench can have read, by column."""
    faults = []
    if not len(columns["row"]):
        faults.append(Fault("rows", "none below the header", "at least one reading"))
    if not np.isin(columns["orientation"], (1, -1)).all():
        faults.append(Fault("column orientation", "neither +1 nor -1", "+1 or -1 in every row"))
    for field, low, high, words in _LIMITS:
        values = columns[field]
        needed = field in ("gap", "reading")
        if (needed and np.isnan(values).any()) or (values < low).any() or (values > high).any():
            name = next(name for name, known, *_ in COLUMNS if known == field)
            faults.append(Fault(f"column {name}", "a value missing or out of range", words))
    return faults
