"""The quantities of a bench file: unit, bounds, and the uncertainty taken where none is stated."""

from __future__ import annotations

from typing import Annotated, Any

from pydantic import BeforeValidator
from pydantic_core import PydanticCustomError

from ..units import Measured, NotAQuantity, parse_measured, states_uncertainty


def fault(expected: str, found: str) -> PydanticCustomError:
    """What a validator raises: what would be right, and what was found."""
    return PydanticCustomError("weighloop", "{found}", {"expected": expected, "found": found})


def quantity(
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
                raise fault(error.right, error.found) from None
        if (above is not None and not measured.value > above) or (
            below is not None and not measured.value < below
        ):
            raise fault(expected, f"{value!r} is out of range")
        if above is not None and above >= 0.0 and measured.u >= measured.value:
            raise fault("an uncertainty smaller than the value", f"{value!r} says nothing of the value")
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
    quantity(
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
    quantity(
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
    quantity(
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
    quantity("m", "49 mm", above=0.99e-6, below=10.01, bounds="above zero, 0.001 mm to 10 m,"),
]
Offset = Annotated[Measured, quantity("m", "0 mm +/- 0.3 mm", usual=3e-4)]
Eccentricity = Annotated[
    Measured,
    quantity("m", "0 mm +/- 0.05 mm", usual=5e-5, above=-1e-3, below=1e-3, bounds="between -1 mm and 1 mm"),
]
Mass = Annotated[Measured, quantity("kg", "412 mg +/- 1 mg", usual=1e-6, relative=1e-4, above=0)]
Induction = Annotated[
    Measured,
    quantity("T", "1.32 T +/- 0.02 T", relative=0.015, above=0, below=2.0, bounds="between 0 T and 2 T"),
]
Pure = Annotated[
    Measured, quantity("", "1.05 +/- 0.02", usual=0.02, above=0.99, below=2.0, bounds="between 1 and 2")
]
Excess = Annotated[
    Measured, quantity("", "0 +/- 0.03", usual=0.03, above=-0.5, below=0.5, bounds="between -0.5 and 0.5")
]
Scale = Annotated[
    Measured, quantity("", "1 +/- 0.005", usual=0.005, above=0.9, below=1.1, bounds="between 0.9 and 1.1")
]
PerKelvin = Annotated[Measured, quantity("1/K", "-0.0011 1/K", usual=1e-4)]
Latitude = Annotated[
    Measured,
    quantity(
        "rad", "53.4 deg", usual=1.7e-3, above=-1.5709, below=1.5709, bounds="between -90 deg and 90 deg"
    ),
]
Altitude = Annotated[
    Measured, quantity("m", "60 m", usual=20.0, above=-500, below=9000, bounds="between -500 m and 9000 m")
]
Temperature = Annotated[
    Measured,
    quantity("K", "21 degC", usual=1.0, above=223, below=423.2, bounds="between -50 degC and 150 degC"),
]
Load = Annotated[Measured, quantity("kg", "150 g", above=0)]  # none of the figures rests on it
