"""The bench file (TOML): read, checked whole, and turned into a ``Bench`` in SI.

Every fault is reported at once, each with its key, what was found and what is accepted.
"""

from __future__ import annotations

import datetime
import difflib
import re
from pathlib import Path
from typing import Annotated, Any, Literal

import numpy as np
from pydantic import BaseModel, BeforeValidator, ConfigDict, Field, ValidationError, model_validator
from pydantic_core import PydanticCustomError

from ..errors import Fault, InputError, nearest
from ..records import bench as records
from ..units import Measured, NotAQuantity, parse_measured, states_uncertainty
from .bench_doubts import impossible
from .text import read_text
from .toml_tables import read_tables


def _fault(expected: str, found: str) -> PydanticCustomError:
    return PydanticCustomError("weighloop", "{found}", {"expected": expected, "found": found})


def _reader(
    unit: str,
    example: str,
    *,
    usual: float = 0.0,
    relative: float = 0.0,
    above: float | None = None,
    below: float | None = None,
    bounds: str = "",
) -> Any:
    """A validator that reads a quantity in ``unit``, with ``above`` and ``below`` as open bounds.

    ``bounds`` says these as a person would: "between -90 deg and 90 deg". Where no uncertainty is stated
    (``+/- 0`` states one), it is ``usual``, or the ``relative`` part of the value.
    """
    bounds = bounds or ("above zero" if above == 0 else "")
    expected = f'a quantity {bounds} such as "{example}"'.replace("  ", " ")

    def read(value: object) -> Measured:
        if unit == "" and isinstance(value, int | float) and not isinstance(value, bool):
            measured = Measured(float(value))
        else:
            try:
                measured = parse_measured(value, unit, example)  # pyright: ignore[reportArgumentType]
            except NotAQuantity as error:
                raise _fault(error.right, error.found) from None
        if (above is not None and not measured.value > above) or (
            below is not None and not measured.value < below
        ):
            raise _fault(expected, f"{value!r} is out of range")
        u = max(usual, relative * abs(measured.value))
        if u and measured.u == 0.0 and not states_uncertainty(value):
            return Measured(measured.value, u, assumed=True)
        return measured

    return BeforeValidator(read)


# What is taken where no uncertainty is stated: a calliper's 0.02 mm, a gap or wrap judged to 0.05 mm, a
# data sheet's 1.5 % (half a grade of NdFeB), and so on: common practice, no source. Nothing is exact unless
# ``+/- 0`` says so.
Length = Annotated[
    Measured,
    _reader(
        "m",
        "6.00 mm +/- 0.02 mm",
        usual=2e-5,
        above=0.99e-6,
        below=10.01,
        bounds="above zero, 0.001 mm to 10 m,",
    ),
]
Contact = Annotated[
    Measured,
    _reader(
        "m",
        "1.00 mm +/- 0.05 mm",
        usual=5e-5,
        above=0.99e-6,
        below=10.01,
        bounds="above zero, 0.001 mm to 10 m,",
    ),
]
Spacer = Annotated[
    Measured,
    _reader(
        "m",
        "1.00 mm +/- 0.01 mm",
        usual=1e-5,
        above=0.99e-6,
        below=10.01,
        bounds="above zero, 0.001 mm to 10 m,",
    ),
]
Travel = Annotated[
    Measured,
    _reader("m", "49 mm", above=0.99e-6, below=10.01, bounds="above zero, 0.001 mm to 10 m,"),
]
Offset = Annotated[Measured, _reader("m", "0 mm +/- 0.3 mm", usual=3e-4)]
Eccentricity = Annotated[
    Measured,
    _reader("m", "0 mm +/- 0.05 mm", usual=5e-5, above=-1e-3, below=1e-3, bounds="between -1 mm and 1 mm"),
]
Mass = Annotated[Measured, _reader("kg", "412 mg +/- 1 mg", usual=1e-6, relative=1e-4, above=0)]
Induction = Annotated[
    Measured,
    _reader("T", "1.32 T +/- 0.02 T", relative=0.015, above=0, below=2.0, bounds="between 0 T and 2 T"),
]
Pure = Annotated[
    Measured, _reader("", "1.05 +/- 0.02", usual=0.02, above=0.99, below=2.0, bounds="between 1 and 2")
]
Excess = Annotated[
    Measured, _reader("", "0 +/- 0.03", usual=0.03, above=-0.5, below=0.5, bounds="between -0.5 and 0.5")
]
Scale = Annotated[
    Measured, _reader("", "1 +/- 0.005", usual=0.005, above=0.9, below=1.1, bounds="between 0.9 and 1.1")
]
PerKelvin = Annotated[Measured, _reader("1/K", "-0.0011 1/K", usual=1e-4)]
Latitude = Annotated[
    Measured,
    _reader(
        "rad", "53.4 deg", usual=1.7e-3, above=-1.5709, below=1.5709, bounds="between -90 deg and 90 deg"
    ),
]
Altitude = Annotated[
    Measured, _reader("m", "60 m", usual=20.0, above=-500, below=9000, bounds="between -500 m and 9000 m")
]
Temperature = Annotated[
    Measured,
    _reader("K", "21 degC", usual=1.0, above=223, below=423.2, bounds="between -50 degC and 150 degC"),
]
Load = Annotated[Measured, _reader("kg", "150 g", above=0)]  # none of the figures rests on it


class _Table(BaseModel):
    model_config = ConfigDict(extra="forbid", arbitrary_types_allowed=True, frozen=True)


class _Magnet(_Table):
    height: Length
    remanence: Induction
    recoil_permeability: Pure = records.ReferenceMagnet.recoil_permeability
    temperature_coefficient: PerKelvin = records.ReferenceMagnet.temperature_coefficient
    core_excess: Excess = records.ReferenceMagnet.core_excess
    remanence_contact_correlation: Annotated[float, Field(gt=-1, lt=1)] = 0.0
    pan_load: Load | None = None


class _CylinderMagnet(_Magnet):
    shape: Literal["cylinder"]
    diameter: Length


class _BlockMagnet(_Magnet):
    shape: Literal["block"]
    length: Length
    width: Length


class _RingMagnet(_Magnet):
    shape: Literal["ring"]
    outer_diameter: Length
    inner_diameter: Length

    @model_validator(mode="after")
    def _hole_fits(self) -> _RingMagnet:
        if self.inner_diameter.value >= self.outer_diameter.value:
            raise _fault(
                "an inner_diameter smaller than the outer_diameter", "the hole is not inside the ring"
            )
        return self


class _Sample(_Table):
    name: Annotated[str, Field(min_length=1, max_length=100)]
    mass: Mass | None = None
    offset: Offset = records.Sample.offset


class _CylinderSample(_Sample):
    shape: Literal["cylinder"]
    diameter: Length
    height: Length


class _BlockSample(_Sample):
    shape: Literal["block"]
    length: Length
    width: Length
    height: Length


class _SphereSample(_Sample):
    shape: Literal["sphere"]
    diameter: Length


class _SpheroidSample(_Sample):
    shape: Literal["spheroid"]
    diameter: Length
    height: Length


class _Gap(_Table):
    contact: Contact
    ladder: Literal["lift", "spacers"] = "lift"
    spacer: Spacer | None = None
    spacers: Annotated[int, Field(ge=1, le=1000, strict=True)] | None = None
    spacer_mass: Load | None = None

    @model_validator(mode="after")
    def _spacers_named(self) -> _Gap:
        if self.ladder == "spacers" and (self.spacer is None or self.spacers is None):
            raise _fault(
                'spacer = "1.00 mm +/- 0.02 mm" (the thickness of one) and spacers = 30 (how many there are)',
                'ladder is "spacers", but spacer or spacers is missing',
            )
        return self


class _Balance(_Table):
    port: str = ""
    dialect: str = records.Balance.dialect
    resolution: Annotated[Measured, _reader("kg", "1 mg", above=0)]
    capacity: Annotated[Measured, _reader("kg", "220 g", above=0)]
    attraction: Literal["lighter", "heavier"] = "lighter"

    @model_validator(mode="after")
    def _scale(self) -> _Balance:
        if self.resolution.value >= self.capacity.value / 100:
            raise _fault(
                "a resolution far below the capacity", "resolution and capacity do not fit each other"
            )
        return self


class _Lift(_Table):
    port: str
    travel: Travel = Measured(records.Gap.travel)
    take_up: Annotated[Measured, _reader("m", "0.05 mm", above=-1e-12)] = Measured(0.0)
    scale: Scale = records.Gap.scale
    turner: Annotated[bool, Field(strict=True)] = False
    turning_height: Travel = Measured(records.Turner.turning_height)
    eccentricity: Eccentricity = records.Turner.eccentricity

    @model_validator(mode="after")
    def _turns_within_its_travel(self) -> _Lift:
        if self.turner and self.turning_height.value > self.travel.value:
            raise _fault(
                f"a turning_height up to the travel of {self.travel.value * 1e3:g} mm",
                f"turning_height {self.turning_height.value * 1e3:g} mm is never reached",
            )
        return self


class _Site(_Table):
    latitude: Latitude = records.Site.latitude
    altitude: Altitude = records.Site.altitude
    temperature: Temperature = records.Site.temperature


class _Coil(_Table):
    turns: Annotated[int, Field(ge=1, le=100_000, strict=True)]
    inner_diameter: Length
    outer_diameter: Length
    height: Length
    rise: Offset = records.Coil.rise
    thickness: Length | None = None
    turn_area: Annotated[Measured, _reader("m^2", "4800 mm^2 +/- 14 mm^2", above=0)] | None = None
    current_gain: Scale = records.Coil.current_gain
    resistance: Annotated[Measured, _reader("ohm", "9.05 ohm", above=0)] | None = None

    @model_validator(mode="after")
    def _wound(self) -> _Coil:
        if self.inner_diameter.value > self.outer_diameter.value:
            raise _fault("an outer_diameter at least the inner_diameter", "the winding is inside out")
        return self


class _Calibration(_Table):
    date: datetime.date
    expires: datetime.date
    temperature: Temperature
    by: list[str] = []
    inputs: list[str]
    correlation: list[list[float]]

    @model_validator(mode="after")
    def _belongs_together(self) -> _Calibration:
        matrix, n = np.array(self.correlation, float, ndmin=2), len(self.inputs)
        fits = [len(row) for row in self.correlation] == [n] * n and np.array_equal(matrix, matrix.T)
        if not fits or np.any(np.diag(matrix) != 1) or np.linalg.eigvalsh(matrix).min() <= 0:
            raise _fault(
                "correlations as `calibrate` writes them: a row for each input, each input by itself 1",
                "no matrix of correlations",
            )
        return self


class _Bench(_Table):
    reference_magnet: Annotated[_CylinderMagnet | _BlockMagnet | _RingMagnet, Field(discriminator="shape")]
    sample: Annotated[
        _CylinderSample | _BlockSample | _SphereSample | _SpheroidSample, Field(discriminator="shape")
    ]
    gap: _Gap
    balance: _Balance
    lift: _Lift | None = None
    site: _Site = _Site()
    coil: _Coil | None = None
    calibration: _Calibration | None = None


def read_bench(path: str | Path) -> records.Bench:
    """Read and check a bench file. Raises InputError with every fault, each naming its key."""
    return parse_bench(read_text(path, "bench file"), str(path))


def parse_bench(text: str, source: str = "bench file") -> records.Bench:
    """Check the text of a bench file and return the bench. Raises InputError with every fault."""
    tables, faults = read_tables(text, source)
    try:
        checked = _Bench.model_validate(tables)
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
            _Bench.model_validate(guessed)
        except ValidationError as hidden:
            again = [_translate(item, guessed) for item in hidden.errors() if item["type"] != "missing"]
            faults += [fault for fault in again if fault not in faults]
    return faults


def _likeliest_shape(table: str, content: dict[str, Any]) -> str:
    """The shape nearest to the word that is there, else the one most of whose keys are."""
    shapes = {_literal(model)[0]: model for model in _SHAPES[table]}
    near = difflib.get_close_matches(str(content.get("shape", "")), shapes, 1, cutoff=0.6)
    return (
        near[0] if near else max(shapes, key=lambda name: len(set(content) & set(shapes[name].model_fields)))
    )


def _records(checked: _Bench, text: str) -> records.Bench:
    sample = dict(checked.sample)
    if checked.sample.shape == "sphere":
        sample["height"] = sample["diameter"]
    gap = dict(checked.gap)
    gap["spacer_mass"] = None if checked.gap.spacer_mass is None else checked.gap.spacer_mass.value
    if checked.lift is not None:
        lift = checked.lift
        gap |= {"travel": lift.travel.value, "take_up": lift.take_up.value, "scale": lift.scale}
        if lift.turner:
            gap["turner"] = records.Turner(lift.turning_height.value, lift.eccentricity)
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
        coil=None if checked.coil is None else records.Coil(**dict(checked.coil)),
        calibration=None if checked.calibration is None else _calibration(checked.calibration),
        source_text=text,
    )


def _calibration(checked: _Calibration) -> records.JointCalibration:
    return records.JointCalibration(
        # The scale is the lift's where it is written, and the gap's where it is used.
        tuple("gap.scale" if key == "lift.scale" else key for key in checked.inputs),
        tuple(tuple(row) for row in checked.correlation),
        checked.date.isoformat(),
        checked.expires.isoformat(),
        checked.temperature.value,
        tuple(checked.by),
    )


_SHAPES = {
    "reference_magnet": (_CylinderMagnet, _BlockMagnet, _RingMagnet),
    "sample": (_CylinderSample, _BlockSample, _SphereSample, _SpheroidSample),
}


def _known_keys(place: list[str], tables: dict[str, Any]) -> list[str]:
    """The keys that are right in the table ``place`` points into."""
    if not place:
        return list(_Bench.model_fields)
    tables_of = {"gap": _Gap, "balance": _Balance, "lift": _Lift, "site": _Site}
    tables_of |= {"coil": _Coil, "calibration": _Calibration}
    model: type[BaseModel] | None = tables_of.get(place[0])
    if place[0] in _SHAPES:
        shape = tables[place[0]]["shape"]
        model = next(m for m in _SHAPES[place[0]] if shape in _literal(m))
    return [] if model is None else list(model.model_fields)


def _literal(model: type[BaseModel]) -> tuple[str, ...]:
    annotation = model.model_fields["shape"].annotation
    return annotation.__args__  # pyright: ignore[reportOptionalMemberAccess, reportAttributeAccessIssue]


def _translate(item: Any, tables: dict[str, Any]) -> Fault:
    """One of pydantic's findings in our own words."""
    # The discriminated unions put the shape into the place; a reader does not want to see it there.
    place = [str(part) for part in item["loc"]]
    if len(place) > 1 and place[0] in _SHAPES:
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
        shapes = [name for model in _SHAPES[place[0]] for name in _literal(model)]
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
