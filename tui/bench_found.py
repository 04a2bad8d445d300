"""What the readings say of the bench file's values, in words: they may know a gap better than its ruler."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any, Final

from .words import two_figures, with_uncertainty

#: From so many standard uncertainties on a value is named; below, the readings agree with it.
WORTH_NAMING: Final = 1.0

#: How values are shown by the end of their key: unit, and what is added and then multiplied.
UNITS: Final = (
    (("height", "diameter", "length", "width", "contact", "spacer"), ("mm", 0.0, 1e3)),
    (("remanence",), ("T", 0.0, 1.0)),
    (("temperature",), ("°C", -273.15, 1.0)),
)


def bench_rows(found: Sequence[Any]) -> list[tuple[str, str]]:
    """Sign and sentence for each value the readings have moved, else one that says that they agree.

    ``found`` are ``FoundInput``: SI values as stated and as found, ``shift`` in stated uncertainties.
    """
    by_shift = sorted(found, key=lambda value: -abs(value.shift))
    rows = [("·", _moved(value)) for value in by_shift if abs(value.shift) >= WORTH_NAMING]
    if not rows and by_shift:
        most = by_shift[0]
        rows.append(("✓", f"they agree with it; most off is the {most.words}, {_shift(most)}"))
    return rows


def _moved(value: Any) -> str:
    unit, add, times = next((shown for ends, shown in UNITS if value.key.endswith(ends)), ("", 0.0, 1.0))
    found = with_uncertainty((value.found + add) * times, value.u_found * times)
    stated = with_uncertainty((value.stated + add) * times, value.u_stated * times)
    return f"{value.words}: {found} {unit}".rstrip() + f", stated {stated}: {_shift(value)}"


def _shift(value: Any) -> str:
    side = "above" if value.shift > 0 else "below"
    return f"{two_figures(abs(value.shift))} standard uncertainties {side}"
