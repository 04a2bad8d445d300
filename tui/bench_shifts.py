"""What the readings say of the bench file's values, in words: they may know a gap better than its ruler."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any, Final

from ..analysis.figures.names import input_shown
from .format import two_figures, with_uncertainty

#: From this many standard uncertainties on a value is named; below, the readings agree with it.
WORTH_NAMING: Final = 1.0


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
    unit, *found = input_shown(value.key, value.found, value.u_found)
    _, *stated = input_shown(value.key, value.stated, value.u_stated)
    said = f"{value.words}: {with_uncertainty(*found)} {unit}".rstrip()
    return f"{said}, stated {with_uncertainty(*stated)}: {_shift(value)}"


def _shift(value: Any) -> str:
    side = "above" if value.shift > 0 else "below"
    return f"{two_figures(abs(value.shift))} standard uncertainties {side}"
