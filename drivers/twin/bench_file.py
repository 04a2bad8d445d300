"""A bench as it really is, read from a TOML file of the twin's own, and the bench file a user would have.

The user's bench file is drawn from the truth within its stated uncertainties: it is never
exactly right, so nothing downstream can be right by accident.
"""

from __future__ import annotations

import tomllib
from dataclasses import dataclass, field
from math import radians, sin, sqrt
from pathlib import Path
from typing import Any

import numpy as np

from .balance import BalanceMaker
from .coil import CoilMaker, TwinCoil
from .disturbances import DisturbanceLevels
from .field import Magnet
from .lift.current_source import SourceCircuit
from .lift.mechanics import Mechanics
from .lift.turner import TurnerMechanics
from .sample import MU0, SampleMaterial, TwinSample

BENCHES = Path(__file__).parent / "benches"
DEFAULT = "over-fired"
NDFEB_PER_KELVIN = -0.0011
#: Hard ferrite: its remanence loses 0.19 to 0.2 % a kelvin, its HcJ gains 0.3 to 0.5 % (from memory).
FERRITE_PER_KELVIN, FERRITE_COERCIVITY_PER_KELVIN = -0.0019, 0.004


def local_gravity(latitude: float, altitude: float) -> float:
    """Normal gravity (m/s²) at a latitude (degrees), less the free-air term of the altitude (m).

    Somigliana's closed form with the constants of WGS 84; -3.086e-6 s^-2 free air.
    """
    s2 = sin(radians(latitude)) ** 2
    at_sea = 9.7803253359 * (1 + 0.00193185265241 * s2) / sqrt(1 - 0.00669437999013 * s2)
    return at_sea - 3.086e-6 * altitude


@dataclass(frozen=True)
class Scenario:
    """One bench, whole. ``table`` is the file as read; lengths of the records in m, masses in g."""

    table: dict[str, Any]
    path: Path
    magnet: Magnet
    material: SampleMaterial
    balance: BalanceMaker
    levels: DisturbanceLevels
    mechanics: Mechanics
    turner: TurnerMechanics
    turner_fitted: bool
    coil: CoilMaker | None
    source: SourceCircuit | None
    gravity: float
    contact: float
    attraction: str
    pan_load: float
    shims: tuple[float, ...] = field(default=())
    shim_masses: tuple[float, ...] = field(default=())

    @property
    def temperature(self) -> float:
        """Of the room when the bench begins, degrees Celsius."""
        return _true(self.table["site"]["temperature_degC"])

    @property
    def offset(self) -> float:
        """How far sample and coil hang off the magnet's axis, m along x, before anybody moves their seat."""
        return float(self.table["sample"].get("offset_mm", 0.0)) * 1e-3

    def winding(self) -> TwinCoil | None:
        """This bench's coil, in a drawer."""
        if self.coil is None:
            return None
        room = 273.15 + self.temperature
        return TwinCoil(self.coil, self.magnet, self.offset, room)

    def pellet(self) -> TwinSample:
        """A sample of this bench that has never seen a field."""
        sample = self.table["sample"]
        return TwinSample(
            self.material,
            self.magnet,
            _true(sample["diameter_mm"]) * 1e-3,
            _true(sample["height_mm"]) * 1e-3,
            self.offset,
        )


def find(name: str | Path) -> Path:
    """The file of a bench: a path, or the name of one that is shipped, or its sample's name."""
    if Path(name).exists():
        return Path(name)
    shipped = sorted(BENCHES.glob("*.toml"))
    names = {str(tomllib.loads(path.read_text(encoding="utf-8"))["sample"]["name"]): path for path in shipped}
    names |= {path.stem: path for path in shipped}
    if str(name) not in names:
        raise FileNotFoundError(f"{name}: no such twin bench; a file or one of: {', '.join(sorted(names))}")
    return names[str(name)]


def read(name: str | Path = DEFAULT, *, seed: int = 0, calm: bool = False) -> Scenario:
    """Read a bench. ``calm`` leaves out every disturbance but the balance's own noise.

    The seed decides what differs from one spacer to the next.
    """
    path = find(name)
    table = tomllib.loads(path.read_text(encoding="utf-8"))
    magnet, sample, gap = table["reference_magnet"], table["sample"], table["gap"]
    balance, site, lift = table["balance"], table["site"], table.get("lift", {})
    keys = {"cylinder": ("diameter_mm",), "ring": ("outer_diameter_mm", "inner_diameter_mm")}
    size = tuple(_true(magnet[k]) * 1e-3 for k in keys.get(magnet["shape"], ("length_mm", "width_mm")))
    # A remanence is stated at 20 degrees Celsius; sintered NdFeB loses 0.10 to 0.12 % of it a kelvin
    # (makers' tables).
    warmth = _true(site["temperature_degC"]) - 20.0
    remanence = _true(magnet["remanence_T"]) * (1.0 + NDFEB_PER_KELVIN * warmth)
    d = {} if calm else table.get("disturbances", {})
    rng = np.random.default_rng(np.random.SeedSequence((seed, 0x5417)))
    count = int(gap.get("spacers", 0))
    batch = _true(gap.get("spacer_mm", 1.0))
    shims = batch + float(gap.get("spacer_scatter_mm", 0.0)) * rng.standard_normal(count)
    turner_rng = np.random.default_rng(np.random.SeedSequence((seed, 0x7012)))
    off, u_off = lift.get("eccentricity_mm", [0.0, 0.0])
    masses = float(gap.get("spacer_mass_g", 0.0)) * shims / batch
    return Scenario(
        table=table,
        path=path,
        magnet=Magnet(
            magnet["shape"],
            size,
            _true(magnet["height_mm"]) * 1e-3,
            remanence,
            float(magnet.get("core", 0.0)),
        ),
        material=SampleMaterial(
            saturation=float(sample["polarisation_T"]) / MU0,
            coercivity=float(sample["coercivity_kA_per_m"]) * 1e3,
            spread=float(sample["spread"]),
            interaction=float(sample["interaction_kA_per_m"]) * 1e3,
            reversible=float(sample["reversible"]),
            reversible_field=float(sample["reversible_field_kA_per_m"]) * 1e3,
        ),
        balance=BalanceMaker(
            resolution=float(balance["resolution_g"]),
            capacity=float(balance["capacity_g"]),
            rate=float(balance.get("readings_per_s", 10.0)),
            noise=float(balance.get("noise_g", 0.4 * balance["resolution_g"])),
        ),
        levels=DisturbanceLevels(
            breathing=float(d.get("breathing_g", 0.0)),
            breathing_rate=float(d.get("breathing_Hz", 0.25)),
            footsteps=float(d.get("footsteps_g", 0.0)),
            footsteps_pause=float(d.get("footsteps_pause_s", 60.0)),
            draught=float(d.get("draught_g", 0.0)),
            drift_rate=float(d.get("drift_g_per_s", 0.0)),
            creep=float(d.get("creep_g", 0.0)),
            creep_time=float(d.get("creep_s", 10.0)),
        ),
        mechanics=Mechanics(
            backlash=float(lift.get("backlash_mm", 0.0)),
            homing_scatter=float(lift.get("homing_scatter_mm", 0.0)),
            pitch_error=float(lift.get("pitch_error", 0.0)),
        ),
        turner=TurnerMechanics(
            eccentricity=(off + u_off * turner_rng.standard_normal()) * 1e-3,
            play=float(lift.get("turner_play_mm", 0.0)) * 1e-3,
            slips=float(lift.get("turner_slips", 0.0)),
        ),
        turner_fitted=bool(lift.get("turner", False)),
        coil=_coil(table["coil"]) if "coil" in table else None,
        source=_source(table["coil"], seed) if "source" in table.get("coil", {}) else None,
        gravity=local_gravity(_true(site["latitude_deg"]), _true(site["altitude_m"])),
        contact=_true(gap["contact_mm"]) * 1e-3,
        attraction=balance.get("attraction", "lighter"),
        pan_load=float(magnet["pan_load_g"]),
        shims=tuple((shims * 1e-3).tolist()),
        shim_masses=tuple(masses.tolist()),
    )


def _coil(coil: dict[str, Any]) -> CoilMaker:
    lengths = ("inner_diameter", "outer_diameter", "height", "rise", "thickness")
    return CoilMaker(
        **{key: _true(coil[f"{key}_mm"]) * 1e-3 for key in lengths},
        turn_area=_true(coil["turn_area_mm2"]) * 1e-6,
        resistance=_true(coil["resistance_ohm"]),
        warming=float(coil.get("warming_K_per_W", CoilMaker.warming)),
        warms_in=float(coil.get("warms_in_s", CoilMaker.warms_in)),
    )


def _source(coil: dict[str, Any], seed: int) -> SourceCircuit:
    """Its gain is drawn about what is stated: nobody knows what shunt and reference are off."""
    stated, u = coil["current_gain"]
    rng = np.random.default_rng(np.random.SeedSequence((seed, 0xC011)))
    source = coil["source"]
    return SourceCircuit(
        shunt=float(source["shunt_ohm"]),
        series=float(source["series_ohm"]),
        gain=stated + u * float(rng.standard_normal()),
    )


def bench_file(
    scenario: Scenario,
    *,
    seed: int,
    dialect: str,
    ladder: str,
    balance_port: str,
    lift_port: str | None,
    turner: bool = False,
) -> str:
    """The text of the bench file a user of this bench would have, with its ports."""
    rng = np.random.default_rng(np.random.SeedSequence((seed, 0xBE7C)))

    def stated(entry: Any, unit: str) -> str:
        """The truth, off by a seeded part of its stated uncertainty (at most twice it)."""
        if not isinstance(entry, list):
            return f'"{entry:g} {unit}"'
        truth, u = entry
        off = truth + u * float(np.clip(rng.standard_normal(), -2.0, 2.0))
        digits = max(0, int(np.ceil(-np.log10(u))) + 1)
        return f'"{off:.{digits}f} {unit} +/- {u:g} {unit}"'

    t = scenario.table
    magnet, sample, gap, balance, site = (
        t[k] for k in ("reference_magnet", "sample", "gap", "balance", "site")
    )
    lines = ["[reference_magnet]", f'shape = "{magnet["shape"]}"']
    for key in ("diameter", "outer_diameter", "inner_diameter", "length", "width", "height"):
        if f"{key}_mm" in magnet:
            lines.append(f"{key} = {stated(magnet[f'{key}_mm'], 'mm')}")
    lines += [
        f"remanence = {stated(magnet['remanence_T'], 'T')}",
        f"pan_load = {stated(magnet['pan_load_g'], 'g')}",
        "",
        "[sample]",
        f'name = "{sample["name"]}"',
        'shape = "cylinder"',
        f"diameter = {stated(sample['diameter_mm'], 'mm')}",
        f"height = {stated(sample['height_mm'], 'mm')}",
        f"mass = {stated(sample['mass_mg'], 'mg')}",
        "",
        "[gap]",
        f"contact = {stated(gap['contact_mm'], 'mm')}",
        f'ladder = "{ladder}"',
    ]
    if ladder == "spacers":
        lines += [
            f"spacer = {stated(gap['spacer_mm'], 'mm')}",
            f"spacers = {gap['spacers']}",
        ]
        if gap.get("spacer_mass_g"):  # none: they lie under the sample, and the balance never feels them
            lines.append(f"spacer_mass = {stated(gap['spacer_mass_g'], 'g')}")
    lines += [
        "",
        "[balance]",
        f'port = "{balance_port}"',
        f'dialect = "{dialect}"',
        f'resolution = "{balance["resolution_g"] * 1000:g} mg"',
        f'capacity = "{balance["capacity_g"]:g} g"',
        f'attraction = "{scenario.attraction}"',
    ]
    coil = t.get("coil", {})
    if lift_port is not None:
        lines += ["", "[lift]", f'port = "{lift_port}"']
        if source := coil.get("source"):
            lines += ["current_source = true", f'shunt = "{source["shunt_ohm"]:g} ohm"']
            lines.append(f'largest_current = "{source["largest_mA"]:g} mA"')
    if lift_port is not None and turner:
        lift = t.get("lift", {})
        off, u_off = lift.get("eccentricity_mm", [0.0, 0.05])
        lines += [
            "turner = true",
            f'turning_height = "{lift.get("turning_height_mm", 45.0):g} mm"',
            f'eccentricity = "{off:g} mm +/- {u_off:g} mm"',
        ]
    if coil:
        gain, u_gain = coil["current_gain"]
        lines += ["", "[coil]", f"turns = {coil['turns']}"]
        lines += [
            f"{key} = {stated(coil[f'{key}_mm'], 'mm')}"
            for key in ("inner_diameter", "outer_diameter", "height", "rise", "thickness")
        ]
        lines += [
            f"turn_area = {stated(coil['turn_area_mm2'], 'mm^2')}",
            f'current_gain = "{gain:g} +/- {u_gain:g}"',
            f"resistance = {stated(coil['resistance_ohm'], 'ohm')}",
        ]
    lines += [
        "",
        "[site]",
        f"latitude = {stated(site['latitude_deg'], 'deg')}",
        f"altitude = {stated(site['altitude_m'], 'm')}",
        f"temperature = {stated(site['temperature_degC'], 'degC')}",
        "",
    ]
    return "\n".join(lines)


def _true(entry: Any) -> float:
    """The true value of an entry: a number, or the first of a pair with its uncertainty."""
    return float(entry[0] if isinstance(entry, list) else entry)
