"""An offset in the words of the bench: as spacers, where it is a whole number of them."""

from __future__ import annotations

from ..forces.branches import Arrangement
from ..records.bench import Bench


def describe_as_spacers(step: float, arranged: Arrangement) -> str:
    """``step`` (kg) in words, as whole spacers where it is a whole number of them."""
    mass = arranged.spacer_mass
    if mass is None or not mass > 0:
        return ""
    count = round(abs(step) / mass)
    if count == 0 or abs(abs(step) - count * mass) > max(0.15 * mass, 3e-3 * abs(step)):
        return ""
    return f": looks like {count} spacer{'s' if count > 1 else ''} not re-zeroed"


def describe_as_miscount(step: float, bench: Bench) -> str:
    """A gap's error in spacers, where it is a whole number of them."""
    spacer = bench.gap.spacer
    if bench.gap.ladder != "spacers" or spacer is None:
        return ""
    count = round(abs(step) / spacer.value)
    if count == 0 or abs(abs(step) / spacer.value - count) > 0.25:
        return ""
    return f" (looks like {count} spacer{'s' if count > 1 else ''} miscounted)"
