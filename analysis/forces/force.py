"""From a balance's reading to the force on it: local gravity and air buoyancy."""

from __future__ import annotations

from math import sin, sqrt
from typing import overload

from ..constants import AIR_DENSITY_CONVENTIONAL, WEIGHT_DENSITY_CONVENTIONAL
from ..records.arrays import Floats
from ..records.bench import Bench, Site

#: World Geodetic System 1984, normal gravity (NGA.STND.0036).
_GAMMA_EQUATOR = 9.7803253359  # m/s²
_SOMIGLIANA_K = 0.00193185265241
_ECCENTRICITY2 = 0.00669437999013
_SEMI_MAJOR = 6378137.0  # m
_FLATTENING = 1 / 298.257223563
_GM = 3.986004418e14  # m³/s²
_ROTATION = 7.292115e-5  # rad/s
#: omega^2 a^2 b / GM, the ratio of centrifugal to gravitational acceleration at the equator.
_M = _ROTATION**2 * _SEMI_MAJOR**3 * (1 - _FLATTENING) / _GM


def local_gravity(latitude: float, altitude: float = 0.0) -> float:
    """Normal gravity in m/s² at ``latitude`` (rad) and ``altitude`` (m above the ellipsoid).

    WGS84: Somigliana's closed formula and the second-order height formula (Heiskanen & Moritz, Physical
    Geodesy). Real gravity differs by up to about 0.5 mm/s^2 (5e-5) where the ground is uneven.
    """
    s2 = sin(latitude) ** 2
    gamma = _GAMMA_EQUATOR * (1 + _SOMIGLIANA_K * s2) / sqrt(1 - _ECCENTRICITY2 * s2)
    h = altitude / _SEMI_MAJOR
    return gamma * (1 - 2 * (1 + _FLATTENING + _M - 2 * _FLATTENING * s2) * h + 3 * h**2)


def force_per_kg(site: Site) -> float:
    """Force in N for each kg a balance at ``site`` indicates: g (1 - 1.2/8000).

    The balance was adjusted with weights of 8000 kg/m³ in air of 1.2 kg/m³ (OIML D 28), which weighed
    less than their mass by the air they displaced; a pull by a magnet displaces none.
    """
    g = local_gravity(site.latitude.value, site.altitude.value)
    return g * (1 - AIR_DENSITY_CONVENTIONAL / WEIGHT_DENSITY_CONVENTIONAL)


@overload
def force(reading_change: float, bench: Bench) -> float: ...
@overload
def force(reading_change: Floats, bench: Bench) -> Floats: ...
def force(reading_change: float | Floats, bench: Bench) -> float | Floats:
    """Attraction in N from the change of reading against its zero (kg); shape as given.

    Attraction makes the reading lighter where the sample hangs above the magnet on the pan, heavier where
    the magnet hangs above: ``attraction`` of the bench file.
    """
    sign = 1.0 if bench.balance.attraction == "heavier" else -1.0
    return sign * force_per_kg(bench.site) * reading_change


@overload
def reading_change(force: float, bench: Bench) -> float: ...
@overload
def reading_change(force: Floats, bench: Bench) -> Floats: ...
def reading_change(force: float | Floats, bench: Bench) -> float | Floats:
    """The change of reading (kg) an attraction of ``force`` (N) makes: the inverse of ``force``."""
    sign = 1.0 if bench.balance.attraction == "heavier" else -1.0
    return sign / force_per_kg(bench.site) * force
