"""The bench file (TOML): read, checked whole, and turned into a ``Bench`` in SI.

Every fault is reported at once, each with its key, what was found and what is accepted.
"""

from __future__ import annotations

import difflib
import re
from pathlib import Path
from typing import Any

from pydantic import BaseModel, ValidationError

from ..errors import Fault, InputError, nearest
from ..records import bench as records
from .bench_doubts import impossible
from .bench_tables import (
    SHAPES,
    BalanceTable,
    BenchTable,
    CalibrationTable,
    CoilTable,
    GapTable,
    LiftTable,
    SiteTable,
)
from .text import read_text
from .toml_tables import read_tables


def read_bench(path: str | Path) -> records.Bench:
    """Read and check a bench file. Raises InputError with every fault, each naming its key."""
    return parse_bench(read_text(path, "bench file"), str(path))


def parse_bench(text: str, source: str = "bench file") -> records.Bench:
    """Check the text of a bench file and return the bench. Raises InputError with every fault."""
    tables, faults = read_tables(text, source)
    try:
        checked = BenchTable.model_validate(tables)
    except ValidationError as error:
        faults += _all_faults(error, tables)
    else:
        if not faults:
            bench = _records(checked, text)
            faults = impossible(bench)
            if not faults:
                return bench
    raise InputError(source, faults) from None


def _all_faults(error: ValidationError, tables: dict[str, Any]) -> list[Fault]:
    """Every fault, also those in a table whose shape is wrong: looked for under the likeliest shape."""
    faults, guessed = [], dict(tables)
    for item in error.errors():
        faults.append(_translate(item, tables))
        if item["type"] in ("union_tag_invalid", "union_tag_not_found") and isinstance(
            tables.get(str(item["loc"][0])), dict
        ):
            table = str(item["loc"][0])
            guessed[table] = tables[table] | {"shape": _likeliest_shape(table, tables[table])}
    # A key that is missing under one name and there under another is one fault, not two.
    meant = {
        fault.place.rpartition(".")[0] + "." + fault.expected[14:-2]
        for fault in faults
        if "did you" in fault.expected
    }
    faults = [fault for fault in faults if fault.found != "missing" or fault.place not in meant]
    if guessed != tables:
        try:
            BenchTable.model_validate(guessed)
        except ValidationError as hidden:
            again = [_translate(item, guessed) for item in hidden.errors() if item["type"] != "missing"]
            faults += [fault for fault in again if fault not in faults]
    return faults


def _likeliest_shape(table: str, content: dict[str, Any]) -> str:
    """The shape nearest to the word that is there, else the one most of whose keys are."""
    shapes = {_literal(model)[0]: model for model in SHAPES[table]}
    near = difflib.get_close_matches(str(content.get("shape", "")), shapes, 1, cutoff=0.6)
    return (
        near[0] if near else max(shapes, key=lambda name: len(set(content) & set(shapes[name].model_fields)))
    )


def _records(checked: BenchTable, text: str) -> records.Bench:
    sample = dict(checked.sample)
    if checked.sample.shape == "sphere":
        sample["height"] = sample["diameter"]
    gap = dict(checked.gap)
    supply = None
    gap["spacer_mass"] = None if checked.gap.spacer_mass is None else checked.gap.spacer_mass.value
    if checked.lift is not None:
        lift = checked.lift
        gap |= {"travel": lift.travel.value, "take_up": lift.take_up.value, "scale": lift.scale}
        if lift.turner:
            gap["turner"] = records.Turner(lift.turning_height.value, lift.eccentricity)
        if lift.current_source:
            supply = records.CurrentSupply(lift.shunt.value, lift.largest_current.value)
    balance = dict(checked.balance)
    balance["resolution"] = checked.balance.resolution.value
    balance["capacity"] = checked.balance.capacity.value
    return records.Bench(
        reference_magnet=records.ReferenceMagnet(**dict(checked.reference_magnet)),
        sample=records.Sample(**sample),
        gap=records.Gap(**gap),
        balance=records.Balance(**balance),
        site=records.Site(**dict(checked.site)),
        lift_port=None if checked.lift is None else checked.lift.port,
        current_source=supply,
        coil=None if checked.coil is None else _coil(checked.coil, supply),
        calibration=None if checked.calibration is None else _calibration(checked.calibration),
        source_text=text,
    )


def _coil(checked: CoilTable, supply: records.CurrentSupply | None) -> records.Coil:
    coil = dict(checked)
    if supply is not None and "current_gain" not in checked.model_fields_set:
        coil["current_gain"] = supply.CURRENT_GAIN
    return records.Coil(**coil)


def _calibration(checked: CalibrationTable) -> records.JointCalibration:
    return records.JointCalibration(
        # The scale is the lift's where it is written, and the gap's where it is used.
        tuple("gap.scale" if key == "lift.scale" else key for key in checked.inputs),
        tuple(tuple(row) for row in checked.correlation),
        checked.date.isoformat(),
        checked.expires.isoformat(),
        checked.temperature.value,
        tuple(checked.by),
    )


def _known_keys(place: list[str], tables: dict[str, Any]) -> list[str]:
    """The keys that are right in the table ``place`` points into."""
    if not place:
        return list(BenchTable.model_fields)
    tables_of = {"gap": GapTable, "balance": BalanceTable, "lift": LiftTable, "site": SiteTable}
    tables_of |= {"coil": CoilTable, "calibration": CalibrationTable}
    model: type[BaseModel] | None = tables_of.get(place[0])
    if place[0] in SHAPES:
        shape = tables[place[0]]["shape"]
        model = next(m for m in SHAPES[place[0]] if shape in _literal(m))
    return [] if model is None else list(model.model_fields)


def _literal(model: type[BaseModel]) -> tuple[str, ...]:
    annotation = model.model_fields["shape"].annotation
    return annotation.__args__  # pyright: ignore[reportOptionalMemberAccess, reportAttributeAccessIssue]


def _translate(item: Any, tables: dict[str, Any]) -> Fault:
    """One of pydantic's findings in our own words."""
    # The discriminated unions put the shape into the place; a reader does not want to see it there.
    place = [str(part) for part in item["loc"]]
    if len(place) > 1 and place[0] in SHAPES:
        del place[1]
    key, kind = ".".join(place), item["type"]
    if kind == "weighloop":
        return Fault(key, item["ctx"]["found"], item["ctx"]["expected"])
    if kind == "missing":
        return Fault(key, "missing", _example(place))
    if kind == "extra_forbidden":
        known = _known_keys(place[:-1], tables)
        return Fault(key, "a key that is not known", nearest(place[-1], known))
    if kind in ("union_tag_invalid", "union_tag_not_found"):
        shapes = [name for model in SHAPES[place[0]] for name in _literal(model)]
        found = tables[place[0]].get("shape") if isinstance(tables[place[0]], dict) else tables[place[0]]
        shown = "missing" if found is None else f"{found!r}"
        return Fault(f"{place[0]}.shape", shown, nearest(str(found), shapes))
    if kind == "literal_error":
        known = re.findall(r"'([^']*)'", item["ctx"]["expected"])
        return Fault(key, repr(item["input"]), nearest(str(item["input"]), known))
    if kind == "bool_type":
        return Fault(key, repr(item["input"]), "true or false, without quotes")
    if kind in ("model_type", "model_attributes_type"):
        return Fault(key, repr(item["input"]), f"a table, written [{key}]")
    return Fault(key, repr(item["input"]), item["msg"].removeprefix("Input should be "))


def _example(place: list[str]) -> str:
    if len(place) == 1:
        return f"a table [{place[0]}]"
    examples = {"name": '"WP-07-3"', "remanence": '"1.32 T +/- 0.02 T"', "capacity": '"220 g"'}
    examples |= {"resolution": '"1 mg"', "port": '"/dev/ttyUSB0"', "contact": '"1.00 mm +/- 0.05 mm"'}
    return f"a value such as {place[-1]} = " + examples.get(place[-1], '"6.00 mm +/- 0.02 mm"')
