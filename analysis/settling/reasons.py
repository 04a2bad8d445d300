"""Why a level that is being followed is not accepted yet, and what to do about it."""

from __future__ import annotations

from .settings import HOPELESS
from .settling_state import Reason


def why_not(left: float, u: float, target: float, disturbed: bool, drift: float | None) -> tuple[Reason, str]:
    """``left`` s to go, ``u`` and ``target`` in mg, ``drift`` in mg a minute where it is too much."""
    if disturbed:
        return "disturbed", "something shakes the balance: hands off the bench, nobody walking by"
    if drift is not None:
        return "drifting", f"the reading drifts by {drift:+.3g} mg a minute: let it settle"
    if left > HOPELESS:
        return "too noisy for the target", (
            f"the noise leaves {u:.2g} mg, wanted {target:.2g} mg: "
            "draught shield, quieter place, or a wider target"
        )
    return "still settling", f"about {left:.0f} s more"
