"""The room's temperature, and what it does to reference magnet and sample.

Both stand in the room for hours, so that they are as warm as it is; the lift's thermistor shows it but for
the air that wanders about it.
"""

from __future__ import annotations

from dataclasses import replace

from .bench_file import FERRITE_COERCIVITY_PER_KELVIN, FERRITE_PER_KELVIN, NDFEB_PER_KELVIN, Scenario
from .coil import TwinCoil
from .disturbances import Normals, Wander
from .sample import TwinSample

#: Magnet and sample are brought up to date when the room has changed by this, K.
FINE = 0.02


class Room:
    """``start`` K when the bench begins; ``heating`` takes it elsewhere, steadily."""

    def __init__(self, scenario: Scenario, air: Normals) -> None:
        self.scenario = scenario
        self.start = 273.15 + scenario.temperature
        self._wander = Wander(air, 1.0 / scenario.balance.rate, 1800.0, 0.1)
        self._from = self._to = 0.0  # K above the start
        self._begun = self._takes = 0.0
        self._felt = 0.0

    def heating(self, kelvin: float, hours: float, now: float) -> None:
        """From now on to a number of K above the start, reached in that time."""
        self._from, self._to = self.above(now), float(kelvin)
        self._begun, self._takes = now, float(hours) * 3600.0

    def above(self, now: float) -> float:
        """K above the start."""
        gone = min((now - self._begun) / self._takes, 1.0) if self._takes > 0.0 else 1.0
        return self._from + gone * (self._to - self._from)

    def shown(self, now: float) -> float:
        """What the thermistor is at, K."""
        return self.start + self.above(now) + self._wander.step()

    def warm(self, now: float, pellet: TwinSample, coil: TwinCoil | None) -> bool:
        """Bring magnet and sample to the room's temperature; whether that changed anything."""
        above = self.above(now)
        if abs(above - self._felt) < FINE:
            return False
        self._felt = above
        warm = warmed(self.scenario, above)
        pellet.warm(warm.magnet, warm.material)
        if coil is not None:
            coil.magnet = warm.magnet
        return True


def warmed(scenario: Scenario, kelvin: float) -> Scenario:
    """The bench, warmer than at its start: a magnet's remanence goes by its value at 20 degrees Celsius, and
    so do saturation and half-widths of the sample by theirs at the start."""
    sample = scenario.table["sample"]
    alpha = float(sample.get("saturation_per_K", FERRITE_PER_KELVIN))
    beta = float(sample.get("coercivity_per_K", FERRITE_COERCIVITY_PER_KELVIN))
    begun = 1.0 + NDFEB_PER_KELVIN * (scenario.temperature - 20.0)
    magnet, material = scenario.magnet, scenario.material
    return replace(
        scenario,
        magnet=replace(magnet, remanence=magnet.remanence * (1.0 + NDFEB_PER_KELVIN * kelvin / begun)),
        material=replace(
            material,
            saturation=material.saturation * (1.0 + alpha * kelvin),
            coercivity=material.coercivity * (1.0 + beta * kelvin),
        ),
    )
