"""The edge where units are: strings with units to SI floats and back (pint).

Inside the program every number is SI and bare; here is the only place that knows
how people write quantities. pint is imported at the first use, as it is slow.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from difflib import get_close_matches
from functools import cache
from math import floor, isfinite, log10, pi
from pathlib import Path
from typing import Any

from .constants import OERSTED


@dataclass(frozen=True)
class Measured:
    """A value and its standard uncertainty, both in the same SI unit."""

    value: float
    u: float = 0.0
    #: No uncertainty was stated: ``u`` is the usual one of such a quantity.
    assumed: bool = False

    def __float__(self) -> float:
        return self.value


@cache
def registry() -> Any:
    """The one pint registry of the program, with the trade's units added.

    pint knows gauss and oersted as units of the Gaussian system, which do not convert to
    tesla and A/m; in this trade they do, by the table of Goldfarb & Fickett, NBS SP 696 (1985):
    1 G = 1e-4 T, 1 Oe = 1000/(4 pi) A/m, 1 emu = 1e-3 A·m², 1 MGOe = 1e5/(4 pi) J/m³.
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


#: Characters of a quantity as text, with its uncertainty.
_LONGEST = 200
#: What a bench can have, by SI unit: least and most beside zero, and the same in words.
_RANGES = {
    "m": (1e-9, 1e3, "a length is from 0.000001 mm to 1000 m"),
    "kg": (1e-13, 1e4, "a mass is from 0.0000001 mg to 10000 kg"),
    "s": (1e-6, 1e9, "a time is from 0.000001 s to thirty years"),
    "T": (1e-9, 1e3, "a flux density is from 0.000001 mT to 1000 T"),
    "A/m": (1e-6, 1e9, "a field is from 0.000001 A/m to 1000000 kA/m"),
    "A*m^2": (1e-12, 1e6, "a moment is from 0.000000001 emu to 1000000 A m2"),
    "K": (1e-6, 1e4, "a temperature is below 10000 K"),
    "1/K": (1e-9, 1.0, "a coefficient is from 0.0000001 % to 100 % for a degree"),
}
_PLUS_MINUS = re.compile(r"\s*(?:\+/-|±|\+-)\s*")
_QUANTITY = re.compile(r"\s*([-+]?(?:[0-9]+\.?[0-9]*|\.[0-9]+)(?:[eE][-+]?[0-9]+)?)\s*(.*?)\s*", re.DOTALL)
_PLAIN = r"([-+]?[0-9]+(?:\.[0-9]*)?)"
_NAME = r"([^\W\d_]+)"
_DEGREES_MINUTES = re.compile(
    r"\s*([0-9]+)\s*(?:°|deg)\s*([0-9]+(?:\.[0-9]+)?)\s*['′’]"
    r"(?:\s*([0-9]+(?:\.[0-9]+)?)\s*[\"″”])?\s*([NSEWnsew]?)\s*"
)
_UNIT_ONCE = re.compile(rf"\s*\(?\s*{_PLAIN}\s*(?:\+/-|±|\+-)\s*{_PLAIN}\s*\)?\s*{_NAME}\s*")
_PER_CENT = re.compile(rf"\s*{_PLAIN}\s*{_NAME}\s*(?:\+/-|±|\+-)\s*{_PLAIN}\s*%\s*")
_RANGE = re.compile(rf"\s*{_PLAIN}\s*(?:-|–|\.\.|to)\s*{_PLAIN}\s*{_NAME}\s*")
#: A unit as people write one: a few names with small powers, joined by a point, a stroke or a blank.
_UNIT = re.compile(
    r"(?:1|%|[^\W\d_][^\W\d]{0,30}[0-9]?|°C?)(?:(?:\^|\*\*)-?[1-9])?"
    r"(?:\s*[*/·]\s*[^\W\d_][^\W\d]{0,30}[0-9]?(?:(?:\^|\*\*)-?[1-9])?"
    r"|\s[^\W\d_][^\W\d]{0,30}[0-9]?(?:(?:\^|\*\*)-?[1-9])?){0,4}"
)
_DECIMAL_COMMA = re.compile(r"(?<=[0-9]),(?=[0-9])")

#: How people at a bench write what is kept in an SI unit: the usual unit first, its name in words.
BENCH_UNITS: dict[str, tuple[tuple[str, ...], str]] = {
    "m": (("mm", "um", "cm", "m", "inch"), "millimetres"),
    "kg": (("g", "mg", "ug", "kg"), "grams"),
    "T": (("T", "mT", "gauss"), "tesla"),
    "rad": (("deg", "rad"), "degrees"),
    "K": (("degC", "K"), "degrees Celsius"),
    "s": (("s", "min", "h", "ms"), "seconds"),
    "1/K": (("1/K",), "parts per kelvin"),
}
#: What a number in one of these is multiplied by, and what is added, for its SI unit, as pint has it to the
#: last bit: most bench files need no other, and to start pint takes longer than all else that reads one.
_TO_SI: dict[str, dict[str, tuple[float, float]]] = {
    "m": {"mm": (1e-3, 0.0), "um": (1e-6, 0.0), "cm": (1e-2, 0.0), "m": (1.0, 0.0)},
    "kg": {"g": (1e-3, 0.0), "mg": (1e-6, 0.0), "ug": (1e-9, 0.0), "kg": (1.0, 0.0)},
    "T": {"T": (1.0, 0.0), "mT": (1e-3, 0.0)},
    "rad": {"deg": (pi / 180.0, 0.0), "rad": (1.0, 0.0)},
    "K": {"degC": (1.0, 273.15), "K": (1.0, 0.0)},
    "s": {"s": (1.0, 0.0), "min": (60.0, 0.0), "h": (3600.0, 0.0)},
    "1/K": {"1/K": (1.0, 0.0)},
}
_LONG_NAMES = {"mg": "milligrams", "ug": "micrograms", "um": "micrometres"}
#: What is written for a unit by mistake, where the nearest spelling would be another unit.
_MEANT = {"C": "degC", "c": "degC", "Tesla": "T", "grs": "g"}
#: What stands for one unit in a textbook and is meant as another on a bench.
_AMBIGUOUS = {"gr": "grains or grams"}


class NotAQuantity(ValueError):
    """A text that is no quantity of the wanted kind: ``found`` says why, ``right`` what would be right."""

    def __init__(self, found: str, right: str) -> None:
        self.found, self.right = found, right
        super().__init__(f"{found}; {right}")


def usual_unit(unit: str, like: str = "") -> str:
    """The unit people write for ``unit`` (SI): that of the example ``like``, else the usual one."""
    match = _QUANTITY.fullmatch(_PLUS_MINUS.split(like)[0]) if like else None
    return match[2] if match and match[2] else BENCH_UNITS.get(unit, ((unit,), unit))[0][0]


def _in_words(name: str, unit: str) -> str:
    units, words = BENCH_UNITS.get(unit, ((unit,), unit))
    return words if name == units[0] else _LONG_NAMES.get(name, name)


def _written_otherwise(text: str, unit: str) -> NotAQuantity | None:
    """What a text in a notation that is no quantity here would be: degrees with minutes, one unit for value
    and uncertainty, a relative uncertainty, a range."""
    if unit == "rad" and (match := _DEGREES_MINUTES.fullmatch(text)):
        degrees = float(match[1]) + float(match[2]) / 60.0 + float(match[3] or 0.0) / 3600.0
        sign = "-" if match[4] in ("S", "W", "s", "w") else ""
        return NotAQuantity(f"{text!r} is in degrees and minutes", f'write "{sign}{degrees:.5g} deg"')
    if match := _UNIT_ONCE.fullmatch(text):
        right = f'write "{match[1]} {match[3]} +/- {match[2]} {match[3]}"'
        return NotAQuantity(f"{text!r} has its unit once", right)
    if match := _PER_CENT.fullmatch(text):
        u = abs(float(match[1])) * float(match[3]) / 100.0
        right = f'write "{match[1]} {match[2]} +/- {u:.2g} {match[2]}"'
        return NotAQuantity(f"{text!r} has its uncertainty in per cent", right)
    if (match := _RANGE.fullmatch(text)) and float(match[2]) > float(match[1]):
        low, high = float(match[1]), float(match[2])
        u = (high - low) / 12**0.5  # of an even spread: JCGM 100:2008, 4.3.7
        right = f'write "{(low + high) / 2:g} {match[3]} +/- {u:.2g} {match[3]}", if all between is as likely'
        return NotAQuantity(f"{text!r} is a range", right)
    return None


def parse(text: str, unit: str, like: str = "") -> float:
    """Read one quantity such as ``"20 mm"`` and return it in ``unit`` (SI).

    Raises NotAQuantity (a ValueError), in the units of the bench, when there is no number, no unit or a
    unit of another kind; ``like`` is an example of what is wanted. Temperatures may be absolute
    (``"21 degC"`` in ``"K"``).
    """
    usual = usual_unit(unit, like)
    if not isinstance(text, str):
        if isinstance(text, int | float) and not isinstance(text, bool):
            raise _no_unit(f"{text:g}", f"{text:g}", usual, unit)
        raise NotAQuantity(
            f"{text!r} is not a quantity", f'write it in quotes, such as "{like or "20 " + usual}"'
        )
    if len(text) > _LONGEST:
        raise NotAQuantity(
            f"{text[:20] + ' ...'!r} has {len(text)} characters",
            f'write one such as "{like or "20 " + usual}"',
        )
    if unit and (other := _written_otherwise(text, unit)):
        raise other
    match = _QUANTITY.fullmatch(text)
    with_points = _DECIMAL_COMMA.sub(".", text)
    if with_points != text and (again := _QUANTITY.fullmatch(with_points)) and not again[2].startswith("."):
        right = f'write "{_joined(again[1], again[2] or usual)}"'
        raise NotAQuantity(f"{text!r} has a decimal comma", right)
    if match is None:
        other = any(c.isdecimal() and not c.isascii() for c in text)
        raise NotAQuantity(
            f"{text!r} is not a number with a unit{' (digits are 0 to 9)' if other else ''}",
            f'write one such as "{like or "20 " + usual}"',
        )
    number, name = float(match[1]), match[2]
    if not name and unit:
        raise _no_unit(repr(text), match[1], usual, unit)
    if name in _AMBIGUOUS:
        raise NotAQuantity(
            f"{name!r} can be {_AMBIGUOUS[name]}",
            f'write "{match[1]} {usual}", if {_in_words(usual, unit)} are meant',
        )
    if known := _TO_SI.get(unit, {}).get(name):
        value = number * known[0] + known[1]
    else:
        value = _by_pint(text, number, match[1], name, unit, like)
    if not isfinite(value):
        raise NotAQuantity(f"{text!r} is too large a number", f'write one such as "{like or "20 " + usual}"')
    low, high, words = _RANGES.get(unit, (0.0, 1e15, "no more than 1e15"))
    if abs(value) > high or 0 < abs(value) < low:
        right = f'write one such as "{like or "20 " + usual}"'
        raise NotAQuantity(f"{text!r} is beyond what a bench can have ({words})", right)
    return value


def _by_pint(text: str, number: float, digits: str, name: str, unit: str, like: str) -> float:
    """A ``number``, written with ``digits``, of a unit that pint may know by ``name``, in ``unit``."""
    import pint

    usual = usual_unit(unit, like)
    try:
        if name and not _UNIT.fullmatch(name):  # of a tower of powers the registry would never come back
            raise pint.UndefinedUnitError(name)
        return float(registry().Quantity(number, name).to(unit).magnitude)
    except pint.UndefinedUnitError:
        near = _nearest_unit(name, unit)
        found = f"{name!r} is not a unit known here"
        raise NotAQuantity(found, f'write "{_joined(digits, near or usual)}", if that was meant') from None
    except Exception:  # another dimension, and what pint raises of its own for odd unit expressions
        near = _nearest_unit(name, unit)
        right = (
            f'write "{digits} {near}", if that was meant'
            if near
            else f'write one such as "{like or "20 " + usual}"'
        )
        raise NotAQuantity(
            f"{text!r} is not given in {usual or 'a plain number'} or the like", right
        ) from None


def _joined(number: str, name: str) -> str:
    return f"{number} {name}".rstrip()


def _no_unit(shown: str, number: str, usual: str, unit: str) -> NotAQuantity:
    return NotAQuantity(
        f"{shown} has no unit", f'write "{number} {usual}", if {_in_words(usual, unit)} are meant'
    )


def _nearest_unit(name: str, unit: str) -> str | None:
    """The unit of the right kind that ``name`` was probably to be."""
    units = BENCH_UNITS.get(unit, ((unit,), ""))[0]
    if _MEANT.get(name) in units:
        return _MEANT[name]
    folded = {one.casefold(): one for one in reversed(units)}
    near = [folded[one] for one in get_close_matches(name.casefold(), folded, 3, cutoff=0.5)]
    return None if not near else units[0] if units[0] in near else near[0]


def states_uncertainty(text: object) -> bool:
    """Whether a text has a part after ``+/-``."""
    return isinstance(text, str) and _PLUS_MINUS.search(text) is not None


def parse_measured(text: str, unit: str, like: str = "") -> Measured:
    """Read ``"6.00 mm +/- 0.02 mm"``; the part after ``+/-`` is a standard uncertainty."""
    if not isinstance(text, str):
        return Measured(parse(text, unit, like))
    parts = _PLUS_MINUS.split(text) if len(text) <= _LONGEST else [text]
    if len(parts) > 2:
        raise NotAQuantity(
            f"{text!r} has more than one '+/-'", "write the standard uncertainty once, after the value"
        )
    if len(parts) == 2 and unit and (other := _written_otherwise(text, unit)):
        raise other
    value = parse(parts[0], unit, like)
    if len(parts) == 1:
        return Measured(value)
    # An uncertainty of a temperature is a difference: 0.5 degC is 0.5 K.
    spread = parts[1].replace("degC", "K").replace("°C", "K") if unit == "K" else parts[1]
    try:
        u = parse(spread, unit, like)
    except NotAQuantity as error:
        raise NotAQuantity(f"after '+/-' {error.found}", error.right) from None
    if u < 0:
        raise NotAQuantity(f"{text!r} has an uncertainty below zero", "write it above zero")
    return Measured(value, u)


def decimals(u: float) -> int:
    """Decimals that show an uncertainty ``u`` > 0 to its second significant digit (JCGM 100:2008, 7.2.6)."""
    return max(0, 1 - floor(log10(u)))
