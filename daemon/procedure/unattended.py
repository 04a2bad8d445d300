"""What a held run goes on after by itself, once what it waited for is back. Pure."""

from __future__ import annotations

from ..frozen import replace
from .commands import Outcome, go_on
from .events import BenchState
from .run import RunRecord
from .settings import FIRST_AGAIN, TRY_AGAIN

#: What an unattended run goes on after by itself, by the code of its hold: as soon as what it waited for is
#: back, or after a while, from the far end through the strongest field. After anything else, such as a pull
#: out of range, a stop or a lift that did something else than asked, it waits for a person.
GOES_ON = frozenset(("balance", "lift", "restart", "disk", "store"))
TRIES_AGAIN = frozenset(
    (
        *("not-settled", "moved-alone", "unanswered", "late", "dead", "another-gap", "another-noise"),
        *("lift", "current"),
    )
)


def _able(stage: BenchState) -> bool:
    """Whether the bench could go on; a stopped lift waits for a person."""
    return stage.balance_ok and stage.lift_ok and not stage.person_first and not stage.unrecorded


def patience(run: RunRecord) -> float:
    """How long a held run waits before it tries again, s: unattended a minute at first, then ever longer."""
    return min(TRY_AGAIN, FIRST_AGAIN * 2.0 ** (run.in_a_row - 1)) if run.unattended else TRY_AGAIN


def by_itself(run: RunRecord, stage: BenchState, *, at_once: bool = False) -> Outcome:
    """A run held for the balance alone goes on when it is back; an unattended one after other things too.

    ``at_once``: it was held this very moment. A lift that answers and yet failed is given time then.
    """
    waited = run.code == "balance" or (run.unattended and run.code in GOES_ON)
    waited = waited and not (at_once and run.code == "lift")
    if run.state == "held" and waited and _able(stage):
        return go_on(run, stage, "itself")
    return run, stage, []


def try_again(run: RunRecord, stage: BenchState) -> Outcome:
    """What came by itself may have gone by itself: a draught, a knock, a balance that stood still."""
    again = run.code == "not-settled" or (run.unattended and run.code in TRIES_AGAIN)
    if run.state != "held" or not again or not _able(stage):
        return run, stage, []
    if run.code != "not-settled":  # nothing that was read before is gone by
        stage = replace(stage, zero_void=True, compare=True)
    return go_on(run, stage, "itself")
