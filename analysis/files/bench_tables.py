"""The tables of a bench file: their keys, what each accepts, and what must fit together inside a table."""

from __future__ import annotations

import datetime
from typing import Annotated, Literal

import numpy as np
from pydantic import BaseModel, ConfigDict, Field, model_validator

from ..records import bench as records
from ..units import Measured
from .bench_quantities import (
    Altitude,
    Contact,
    Eccentricity,
    Excess,
    Induction,
    Latitude,
    Length,
    Load,
    Mass,
    Offset,
    PerKelvin,
    Pure,
    Scale,
    Spacer,
    Temperature,
    Travel,
    fault,
    quantity,
)


class TomlTable(BaseModel):
    model_config = ConfigDict(extra="forbid", arbitrary_types_allowed=True, frozen=True)


class MagnetTable(TomlTable):
    height: Length
    remanence: Induction
    recoil_permeability: Pure = records.ReferenceMagnet.recoil_permeability
    temperature_coefficient: PerKelvin = records.ReferenceMagnet.temperature_coefficient
    core_excess: Excess = records.ReferenceMagnet.core_excess
    remanence_contact_correlation: Annotated[float, Field(gt=-1, lt=1)] = 0.0
    pan_load: Load | None = None


class CylinderMagnetTable(MagnetTable):
    shape: Literal["cylinder"]
    diameter: Length


class BlockMagnetTable(MagnetTable):
    shape: Literal["block"]
    length: Length
    width: Length


class RingMagnetTable(MagnetTable):
    shape: Literal["ring"]
    outer_diameter: Length
    inner_diameter: Length

    @model_validator(mode="after")
    def _hole_fits(self) -> RingMagnetTable:
        if self.inner_diameter.value >= self.outer_diameter.value:
            raise fault(
                "an inner_diameter smaller than the outer_diameter", "the hole is not inside the ring"
            )
        return self


class SampleTable(TomlTable):
    name: Annotated[str, Field(min_length=1, max_length=100)]
    mass: Mass | None = None
    offset: Offset = records.Sample.offset


class CylinderSampleTable(SampleTable):
    shape: Literal["cylinder"]
    diameter: Length
    height: Length


class BlockSampleTable(SampleTable):
    shape: Literal["block"]
    length: Length
    width: Length
    height: Length


class SphereSampleTable(SampleTable):
    shape: Literal["sphere"]
    diameter: Length


class SpheroidSampleTable(SampleTable):
    shape: Literal["spheroid"]
    diameter: Length
    height: Length


class GapTable(TomlTable):
    contact: Contact
    ladder: Literal["lift", "spacers"] = "lift"
    spacer: Spacer | None = None
    spacers: Annotated[int, Field(ge=1, le=1000, strict=True)] | None = None
    spacer_mass: Load | None = None

    @model_validator(mode="after")
    def _spacers_named(self) -> GapTable:
        if self.ladder == "spacers" and (self.spacer is None or self.spacers is None):
            raise fault(
                'spacer = "1.00 mm +/- 0.02 mm" (the thickness of one) and spacers = 30 (how many there are)',
                'ladder is "spacers", but spacer or spacers is missing',
            )
        return self


class BalanceTable(TomlTable):
    port: str = ""
    dialect: str = records.Balance.dialect
    resolution: Annotated[Measured, quantity("kg", "1 mg", above=0)]
    capacity: Annotated[Measured, quantity("kg", "220 g", above=0)]
    attraction: Literal["lighter", "heavier"] = "lighter"

    @model_validator(mode="after")
    def _scale(self) -> BalanceTable:
        if self.resolution.value >= self.capacity.value / 100:
            raise fault(
                "a resolution far below the capacity", "resolution and capacity do not fit each other"
            )
        return self


class LiftTable(TomlTable):
    port: str
    travel: Travel = Measured(records.Gap.travel)
    take_up: Annotated[Measured, quantity("m", "0.05 mm", above=-1e-12)] = Measured(0.0)
    scale: Scale = records.Gap.scale
    turner: Annotated[bool, Field(strict=True)] = False
    turning_height: Travel = Measured(records.Turner.turning_height)
    eccentricity: Eccentricity = records.Turner.eccentricity
    current_source: Annotated[bool, Field(strict=True)] = False
    shunt: Annotated[Measured, quantity("ohm", "47 ohm", above=0)] = Measured(records.CurrentSupply.shunt)
    largest_current: Annotated[Measured, quantity("A", "55 mA", above=0)] = Measured(
        records.CurrentSupply.largest_current
    )

    @model_validator(mode="after")
    def _turns_within_its_travel(self) -> LiftTable:
        if self.turner and self.turning_height.value > self.travel.value:
            raise fault(
                f"a turning_height up to the travel of {self.travel.value * 1e3:g} mm",
                f"turning_height {self.turning_height.value * 1e3:g} mm is never reached",
            )
        return self


class SiteTable(TomlTable):
    latitude: Latitude = records.Site.latitude
    altitude: Altitude = records.Site.altitude
    temperature: Temperature = records.Site.temperature


class CoilTable(TomlTable):
    turns: Annotated[int, Field(ge=1, le=100_000, strict=True)]
    inner_diameter: Length
    outer_diameter: Length
    height: Length
    rise: Offset = records.Coil.rise
    thickness: Length | None = None
    turn_area: Annotated[Measured, quantity("m^2", "4800 mm^2 +/- 14 mm^2", above=0)] | None = None
    current_gain: Scale = records.Coil.current_gain
    resistance: Annotated[Measured, quantity("ohm", "9.05 ohm", above=0)] | None = None

    @model_validator(mode="after")
    def _wound(self) -> CoilTable:
        if self.inner_diameter.value > self.outer_diameter.value:
            raise fault("an outer_diameter at least the inner_diameter", "the winding is inside out")
        return self


class CalibrationTable(TomlTable):
    date: datetime.date
    expires: datetime.date
    temperature: Temperature
    by: list[str] = []
    inputs: list[str]
    correlation: list[list[float]]

    @model_validator(mode="after")
    def _belongs_together(self) -> CalibrationTable:
        matrix, n = np.array(self.correlation, float, ndmin=2), len(self.inputs)
        fits = [len(row) for row in self.correlation] == [n] * n and np.array_equal(matrix, matrix.T)
        if not fits or np.any(np.diag(matrix) != 1) or np.linalg.eigvalsh(matrix).min() <= 0:
            raise fault(
                "correlations as `calibrate` writes them: a row for each input, each input by itself 1",
                "no matrix of correlations",
            )
        return self


class BenchTable(TomlTable):
    reference_magnet: Annotated[
        CylinderMagnetTable | BlockMagnetTable | RingMagnetTable, Field(discriminator="shape")
    ]
    sample: Annotated[
        CylinderSampleTable | BlockSampleTable | SphereSampleTable | SpheroidSampleTable,
        Field(discriminator="shape"),
    ]
    gap: GapTable
    balance: BalanceTable
    lift: LiftTable | None = None
    site: SiteTable = SiteTable()
    coil: CoilTable | None = None
    calibration: CalibrationTable | None = None


#: The tables that come in several shapes.
SHAPES = {
    "reference_magnet": (CylinderMagnetTable, BlockMagnetTable, RingMagnetTable),
    "sample": (CylinderSampleTable, BlockSampleTable, SphereSampleTable, SpheroidSampleTable),
}
