"""What a calibration found, and how it is written into the bench file."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any

import numpy as np
from numpy.typing import NDArray

from ..files.bench_file import parse_bench
from ..files.bench_text import with_values
from ..records.arrays import Floats
from ..records.bench import Bench
from ..units import Measured, decimals

#: Words for what is fitted; the rest are called by their names.
_WORDS = {
    "remanence": "remanence of the reference magnet",
    "core_excess": "excess of the magnet's core",
    "height": "height of the magnet",
    "diameter": "diameter of the magnet",
    "contact": "contact gap",
    "scale": "scale of the heights",
    "turn_area": "coil's turns times area",
    "current_gain": "scale of the current",
    "coil_rise": "height of the winding in the coil",
    "coil_tilt": "difference between the coil's two ends",
    "coil_offset": "offset of the coil from the axis",
}
#: By place in the bench: unit in the bench file, and its number by one SI unit.
_UNITS = {
    "reference_magnet.remanence": ("T", 1.0),
    "reference_magnet.core_excess": ("", 1.0),
    "lift.scale": ("", 1.0),
}
_LENGTH = ("mm", 1e3)


def area_values(area: Measured) -> dict[tuple[str, str], str]:
    """A coil's turns times area (m²) as a TOML value by (table, key) of a bench file."""
    return {("coil", "turn_area"): f'"{with_u(area, 1e6, "mm^2", more=1)}"'}


def words(name: str) -> str:
    """A fitted value's name in words."""
    return _WORDS.get(name, name.replace("_", " "))


def with_u(m: Measured, factor: float, unit: str, more: int = 0) -> str:
    """Value and standard uncertainty as the bench file writes them, rounded to two figures of the latter
    and ``more``."""
    value, u, unit = m.value * factor, m.u * factor, f" {unit}" if unit else ""
    if u <= 0:
        return f"{value:.6g}{unit}"
    digits = decimals(u) + more
    return f"{value:.{digits}f}{unit} +/- {u:.{digits}f}{unit}"


@dataclass(frozen=True, eq=False)
class Calibration:
    """What a fit found. ``remanence`` at 20 degrees Celsius in T, ``contact`` in m.

    ``names``, ``values`` (p,), ``covariance`` (p, p): all fitted parameters, SI, nuisances included.
    ``residuals`` (n,) are (measured - fitted) / standard uncertainty, ``used`` (n,) the rows that took part,
    source after source. ``stated`` is what was known of each parameter, ``pulls`` how far from that it was
    found, in standard uncertainties; ``chi_square`` the reduced chi-square by source; ``temperature`` in K.
    """

    method: str
    remanence: Measured
    contact: Measured
    names: tuple[str, ...]
    values: Floats
    covariance: Floats
    residuals: Floats
    used: NDArray[np.bool_]
    warnings: tuple[str, ...]
    stated: Mapping[str, Measured] = field(default_factory=dict)
    pulls: Mapping[str, float] = field(default_factory=dict)
    chi_square: Mapping[str, float] = field(default_factory=dict)
    temperature: float = 293.15

    @property
    def correlation(self) -> float:
        """Of remanence and contact; 0 where one of them was held."""
        return float(self._correlation(["remanence", "contact"])[0, 1]) if "contact" in self.names else 0.0

    def found(self, name: str) -> Measured:
        """One fitted parameter."""
        i = self.names.index(name)
        return Measured(float(self.values[i]), float(np.sqrt(self.covariance[i, i])))

    def bench_values(self, bench: Bench, date: str, expires: str) -> dict[tuple[str, str], str]:
        """The result as TOML values by (table, key) of a bench file. Dates as ISO 8601 writes them.

        Together the values are known much better than each alone, where they correlate: they keep two
        digits more than their own uncertainties would, so that rounding does not part them; nor may rounding
        leave the correlations impossible together.
        """
        places = {name: _place(name, bench) for name in self.names}
        places = {name: place for name, place in places.items() if place is not None}
        written: dict[tuple[str, str], str] = {}
        for name, place in places.items():
            unit, factor = _UNITS.get(place, _LENGTH)
            m = self.found(name)
            if place == "gap.spacer" and bench.gap.spacer is not None:
                m = Measured(m.value * bench.gap.spacer.value, m.u * bench.gap.spacer.value)
            table, key = place.split(".")
            written[table, key] = f'"{with_u(m, factor, unit, more=2)}"'
        rows = self._correlation(list(places))
        written["reference_magnet", "remanence_contact_correlation"] = f"{self.correlation:.6f}"
        calibration = {
            "date": f'"{date}"',
            "expires": f'"{expires}"',
            "temperature": f'"{self.temperature - 273.15:.2f} degC"',
            "by": "[" + ", ".join(f'"{method}"' for method in self.method.split(" and ")) + "]",
            "inputs": "[" + ", ".join(f'"{place}"' for place in places.values()) + "]",
            "correlation": "["
            + ", ".join("[" + ", ".join(f"{r:.9f}" for r in row) + "]" for row in rows)
            + "]",
        }
        return written | {("calibration", key): text for key, text in calibration.items()}

    def applied_to(self, bench: Bench, date: str, expires: str) -> Bench:
        """The bench with the result in it, its file's text (``source_text``) too; the rest of it stays.

        Dates as ISO 8601 writes them. Raises InputError where the text cannot take it.
        """
        return parse_bench(with_values(bench.source_text, self.bench_values(bench, date, expires)))

    def to_json(self, bench: Bench, date: str, expires: str) -> dict[str, Any]:
        """What ``weighloop calibrate --json`` prints; plain types, SI, the unit in every key."""
        return {
            "method": self.method,
            "remanence_T": self.remanence.value,
            "u_remanence_T": self.remanence.u,
            "contact_m": self.contact.value,
            "u_contact_m": self.contact.u,
            "correlation": self.correlation,
            "residuals": self.residuals.tolist(),
            "used": self.used.tolist(),
            "bench_lines": self.bench_lines(bench, date, expires),
            "chi_square": dict(self.chi_square),
            "parameters": [
                {
                    "name": name,
                    "value": self.found(name).value,
                    "u": self.found(name).u,
                    "stated": self.stated[name].value,
                    "u_stated": self.stated[name].u,
                    "shift_in_u": self.pulls.get(name),
                }
                for name in self.names
            ],
            "covariance": self.covariance.tolist(),
        }

    def bench_lines(self, bench: Bench, date: str, expires: str) -> str:
        """The result as lines of a bench file (TOML)."""
        tables: dict[str, list[str]] = {}
        for (table, key), text in self.bench_values(bench, date, expires).items():
            tables.setdefault(table, []).append(f"{key} = {text}\n")
        return "\n".join(f"[{table}]\n{''.join(lines)}" for table, lines in tables.items())

    def _correlation(self, names: list[str]) -> Floats:
        at = [self.names.index(name) for name in names]
        part = self.covariance[np.ix_(at, at)]
        spread = np.sqrt(np.diag(part))
        correlation = part / np.outer(spread, spread)
        return (correlation + correlation.T) / 2  # an inverse is symmetric but for rounding


def _place(name: str, bench: Bench) -> str | None:
    """Where a fitted value stands in the bench file; None for what is the source's own."""
    if name == "contact":
        return "gap.contact"
    if name == "scale":
        return "gap.spacer" if bench.gap.ladder == "spacers" else "lift.scale"
    return f"reference_magnet.{name}" if hasattr(bench.reference_magnet, name) else None
