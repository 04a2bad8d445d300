"""What a bench file says that cannot be, and what it says that is worth a second look."""

from __future__ import annotations

from math import pi

from ..errors import Fault
from ..records.bench import Bench, Sample

#: No solid is lighter than 0.05 g/cm³ or heavier than osmium, 22.6 g/cm³ (from memory), kg/m³.
DENSITIES = (50.0, 23e3)
#: What a magnet's density lies between, bonded to NdFeB (common practice, no source), kg/m³.
LIKELY = (1e3, 10e3)
#: A sample of this size or more on a laboratory balance is more likely a wrong unit, m.
LARGE = 0.1


def impossible(bench: Bench) -> list[Fault]:
    """Faults of the bench as a whole: sizes and masses that no body can have together."""
    faults = []
    for table, body in (("sample", bench.sample), ("reference_magnet", bench.reference_magnet)):
        for key in ("diameter", "length", "width", "height", "outer_diameter"):
            size = getattr(body, key, None)
            if size is not None and size.value >= LARGE:
                found = f"{size.value * 1e3:g} mm is no part of a bench on a laboratory balance"
                right = f'write "{size.value:g} mm", if millimetres are meant'
                faults.append(Fault(f"{table}.{key}", found, right))
    mass = bench.sample.mass
    if mass is not None and not faults:
        volume = _volume(bench.sample)
        density = mass.value / volume
        if not DENSITIES[0] < density < DENSITIES[1]:
            found = f"{_mass(mass.value)} in {volume * 1e9:.3g} mm³ make {density / 1e3:.3g} g/cm³"
            right = "a mass and a size of one body (a ferrite has 4.5 to 5.1 g/cm³)"
            for factor in (1e-3, 1e3):
                if LIKELY[0] < density * factor < LIKELY[1]:
                    right = f'write "{_mass(mass.value * factor)}", if that was meant'
            faults.append(Fault("sample.mass", found, right))
    return faults


def doubts(bench: Bench) -> list[str]:
    """Questions about what is possible and unusual, one sentence each; nothing is changed by them."""
    asked = []
    magnet, contact = bench.reference_magnet, bench.gap.contact
    across = min(
        size.value for size in (magnet.diameter, magnet.width, magnet.outer_diameter) if size is not None
    )
    if contact.value >= 0.4 * across:
        asked.append(
            f"gap.contact: is the smallest gap really {contact.value * 1e3:g} mm, over a magnet "
            f"{across * 1e3:g} mm wide? The field is weak there. {contact.value * 1e2:g} mm?"
        )
    spacer = bench.gap.spacer
    if spacer is not None and spacer.value >= 5e-3:
        asked.append(f"gap.spacer: is one spacer really {spacer.value * 1e3:g} mm thick?")
    if magnet.remanence.value < 0.2 or magnet.remanence.value > 1.5:
        asked.append(
            f"reference_magnet.remanence: {magnet.remanence.value:g} T is unusual (NdFeB 1.1 T to 1.45 T, "
            "SmCo 0.8 T to 1.15 T); is it in tesla?"
        )
    return asked


def _volume(sample: Sample) -> float:
    """In m3, of the four shapes."""
    height = sample.height.value
    if sample.length is not None and sample.width is not None:
        return sample.length.value * sample.width.value * height
    assert sample.diameter is not None
    return (pi / 4 if sample.shape == "cylinder" else pi / 6) * sample.diameter.value**2 * height


def _mass(kg: float) -> str:
    return f"{kg * 1e6:g} mg" if kg < 1e-3 else f"{kg * 1e3:g} g"
