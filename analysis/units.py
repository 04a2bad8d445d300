"""The edge where units are: strings with units to SI floats and back (pint).

Inside the program every number is SI and bare; here is the only place that knows
how people write quantities. pint is imported at the first use, as it is slow.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from functools import cache
from math import floor, isfinite, log10
from pathlib import Path
from typing import Any

from .constants import OERSTED


@dataclass(frozen=True)
class Measured:
    """A value and its standard uncertainty, both in the same SI unit."""

    value: float
    u: float = 0.0

    def __float__(self) -> float:
        return self.value


@cache
def registry() -> Any:
    """The one pint registry of the program, with the trade's units added.

    pint knows gauss and oersted as units of the Gaussian system, which do not convert to
    tesla and A/m; in this trade they do, by the table of Goldfarb & Fickett, NBS SP 696 (1985):
    1 G = 1e-4 T, 1 Oe = 1000/(4 pi) A/m, 1 emu = 1e-3 A m^2, 1 MGOe = 1e5/(4 pi) J/m^3.
    """
    import pint

    # Loaded by hand so that our definitions are in before pint caches its own.
    reg = pint.UnitRegistry(None, on_redefinition="ignore")  # pyright: ignore[reportArgumentType]
    reg.load_definitions(Path(pint.__file__).with_name("default_en.txt"))
    reg.define("gauss = 1e-4 tesla = G")
    reg.define(f"oersted = {OERSTED!r} ampere / meter = Oe")
    reg.define(f"MGOe = {100 * OERSTED!r} joule / meter ** 3")
    reg.define("emu = 1e-3 ampere * meter ** 2")
    return reg


_PLUS_MINUS = re.compile(r"\s*(?:\+/-|±|\+-)\s*")


def parse(text: str, unit: str) -> float:
    """Read one quantity such as ``"20 mm"`` and return it in ``unit`` (SI).

    Raises ValueError, in words, when there is no number, no unit or a unit of
    another dimension. Temperatures may be absolute (``"21 degC"`` in ``"K"``).
    """
    import pint

    if not isinstance(text, str):
        raise ValueError(f'{text!r} has no unit; write a string such as "20 {unit}"')
    reg = registry()
    match = re.fullmatch(r"\s*([-+]?(?:\d+\.?\d*|\.\d+)(?:[eE][-+]?\d+)?)\s*(.*?)\s*", text)
    if match is None:
        raise ValueError(f"{text!r} is not a number with a unit")
    number, name = float(match[1]), match[2]
    if not name and unit:
        raise ValueError(f"{text!r} has no unit; it is read in a unit such as {unit}")
    try:
        value = float(reg.Quantity(number, name).to(unit).magnitude)
    except pint.UndefinedUnitError:
        raise ValueError(f"{name!r} is not a unit known here; a unit such as {unit} is") from None
    except pint.DimensionalityError:
        raise ValueError(f"{text!r} cannot be read in {unit}") from None
    except Exception as error:  # pint raises several kinds for odd unit expressions
        raise ValueError(f"{text!r} is not a number with a unit ({error})") from None
    if not isfinite(value):
        raise ValueError(f"{text!r} is more than can be reckoned with")
    return value


def parse_measured(text: str, unit: str) -> Measured:
    """Read ``"6.00 mm +/- 0.02 mm"``; the part after ``+/-`` is a standard uncertainty."""
    if not isinstance(text, str):
        raise ValueError(f'{text!r} has no unit; write a string such as "20 {unit}"')
    parts = _PLUS_MINUS.split(text)
    if len(parts) > 2:
        raise ValueError(f"{text!r} has more than one '+/-'")
    value = parse(parts[0], unit)
    if len(parts) == 1:
        return Measured(value)
    # An uncertainty of a temperature is a difference: 0.5 degC is 0.5 K.
    spread = parts[1].replace("degC", "K") if unit == "K" else parts[1]
    u = parse(spread, unit)
    if u < 0:
        raise ValueError(f"{text!r}: an uncertainty is not negative")
    return Measured(value, u)


def decimals(u: float) -> int:
    """Decimals that show an uncertainty ``u`` > 0 to its second significant digit (JCGM 100:2008, 7.2.6)."""
    return max(0, 1 - floor(log10(u)))
