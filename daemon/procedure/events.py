"""The passing state of a run, what can happen to it, and what it can ask for: plain frozen records."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, Literal

from ..frozen import replace
from ..protocol import ActionCode, Step
from .run import LogEvent

TaskKind = Literal["establish", "retreat", "approach", "turn", "current", "ask", "read"]


@dataclass(frozen=True)
class Task:
    """One thing under way. Answers carry ``serial``; one to an older task is not heard."""

    kind: TaskKind
    height: float | None = None
    step: Step | None = None
    code: ActionCode = "none"
    text: str = ""
    serial: int = 0

    @property
    def sets_by_hand(self) -> bool:
        """Whether the person sets the gap, with spacers."""
        return self.code == "set-spacers"

    @property
    def by_hand(self) -> bool:
        """Whether it waits for a person's hands or word."""
        return self.kind == "ask" or self.sets_by_hand

    @property
    def driven(self) -> bool:
        """Whether the lift's controller is about it, which must come to its end."""
        return self.kind not in ("ask", "read") and not self.sets_by_hand

    def same_as(self, other: Task | None) -> bool:
        """Whether the two ask for the same thing."""
        return other is not None and replace(self, serial=0) == replace(other, serial=0)


@dataclass(frozen=True)
class Doubt:
    """A reading that was taken but not yet believed: the person decides."""

    text: str
    reading: dict[str, Any]
    spacers_wrong: bool = False
    turn_missed: bool = False
    current_wrong: bool = False


@dataclass(frozen=True)
class BenchState:
    """The passing part: where the lift is, which devices answer, what is under way."""

    lift_known: bool = False
    height: float | None = None
    at_far_end: bool = False
    orientation: int | None = None  # how the turner holds the sample, confirmed by its switch
    current: float | None = None  # A; what the lift's source is switched for: a motion switches it off
    closed: bool = True  # whether the lift may have closed since it was homed: then it does not turn
    balance_ok: bool = False
    balance_why: str = "not opened yet"
    lift_ok: bool = True
    task: Task | None = None
    serial: int = 0
    unrecorded: int = 0  # records given out and not yet committed
    retreat: bool = False  # the lift shall go to the far end before anything else
    retreat_tries: int = 0
    lift_failures: int = 0
    zero_void: bool = False  # the balance may have changed its zero since it was read
    compare: bool = False  # it may be another balance: a pull is compared before the run goes on
    interrupted: str = ""  # why the run must look at its history before going on
    doubt: Doubt | None = None
    unsettled: dict[str, Any] | None = None  # a reading known less well than wanted
    confirmed_by: str = ""  # how it is known that the person has set the gap; the setter has not answered yet
    seen: str = ""  # the last action the balance showed before anybody said it was done
    level: float | None = None  # the last level the reading stood still on, kg
    halted: bool = False  # a move was stopped: its failure is expected
    holding: bool = False  # the hold is being written down: what comes now adds nothing to it
    hold_why: str = ""  # its reason, for who asks before it is written down
    ending: bool = False  # the run's end is being written down
    stopping: str = ""  # why a person stops the run, while an entry before it is being written down
    person_first: bool = False  # the lift was stopped or did not obey: only a person lets it move


@dataclass(frozen=True)
class Do:
    """Begin a task."""

    task: Task


@dataclass(frozen=True)
class Record:
    """Commit an event to the log; it comes back as ``Committed``."""

    kind: str
    text: str
    data: dict[str, Any]


@dataclass(frozen=True)
class StopMove:
    """Stop the gap setter at once."""


@dataclass(frozen=True)
class Confirm:
    """Let the gap setter know that the person has done the task."""

    task: Task


@dataclass(frozen=True)
class Refuse:
    """Answer the person: not possible, and why."""

    text: str


Act = Do | Record | StopMove | Confirm | Refuse


# What can happen. Each is small and names a fact, not a wish for a state.


@dataclass(frozen=True)
class Committed:
    """An event stands in the log."""

    event: LogEvent


@dataclass(frozen=True)
class NotRecorded:
    """An event of the run that the store will never take."""

    kind: str
    why: str


@dataclass(frozen=True)
class Stands:
    """The gap setter stands where a task wanted it."""

    serial: int
    height: float
    far: bool
    lost: float | None = 0.0  # after a homing: by how much the position before was wrong, m; None: no count
    orientation: int | None = None  # of a sample in a turner, confirmed by its switch


@dataclass(frozen=True)
class LiftFailed:
    """A task of the gap setter did not surely happen."""

    serial: int
    why: str


@dataclass(frozen=True)
class CurrentFlows:
    """The lift's source has switched the coil's current as a task wanted it, and it is seen to flow; A."""

    serial: int
    current: float


@dataclass(frozen=True)
class CurrentFailed:
    """The coil's current does not flow as it was switched, or went off by itself."""

    serial: int
    why: str


@dataclass(frozen=True)
class LiftVoid:
    """The lift lost its position.

    ``reset``: it restarted or lost count, and can be homed again without a person. ``fault``:
    it did something else than asked. ``button``: a person stopped it, so only a person lets it move.
    ``gone``: it does not answer at all.
    """

    why: str
    kind: Literal["reset", "fault", "button", "gone"] = "reset"


@dataclass(frozen=True)
class LiftBack:
    """The lift answers again."""


@dataclass(frozen=True)
class Accepted:
    """A reading was accepted; ``reading`` holds value_kg, u_kg, drift_kg_per_s, time_s, ..."""

    serial: int
    reading: dict[str, Any]


@dataclass(frozen=True)
class NotBelieved:
    """A level that stands and is not surely of this gap; ``code``: unanswered, late, dead or moved-alone.

    ``doubtful``: how many of the readings before it may be of the same fault.
    """

    serial: int
    code: str
    why: str
    reading: dict[str, Any] | None
    doubtful: int = 0


@dataclass(frozen=True)
class NotSettled:
    """No reading was accepted within the patience; ``reading`` is what there is, or None."""

    serial: int
    why: str
    reading: dict[str, Any] | None


@dataclass(frozen=True)
class Level:
    """The reading stands still on a level, kg, while a person is asked to do something.

    ``width``: how far apart readings may lie there and still be those of one level, kg.
    """

    value: float
    width: float = 0.0


@dataclass(frozen=True)
class Tapped:
    """The person tapped the pan twice: it is done."""


@dataclass(frozen=True)
class OutOfRange:
    """Overload, or the pull lifted the magnet off the pan; ``code`` names which."""

    code: str
    why: str


@dataclass(frozen=True)
class BalanceGone:
    """No sensible word of the balance for too long, or its port is gone."""

    why: str


@dataclass(frozen=True)
class BalanceBack:
    """The balance answers again."""


@dataclass(frozen=True)
class Trouble:
    """Something else forbids going on: the store, the disk, the daemon's end."""

    code: str
    why: str


@dataclass(frozen=True)
class TroubleOver:
    """What a trouble of this code forbade is possible again."""

    code: str


@dataclass(frozen=True)
class TryAgain:
    """A held run has waited long enough for a bench that may have come to rest by itself."""


@dataclass(frozen=True)
class Asked:
    """A person's word: hold, go on, stop, confirm, repeat; or a script's that asks for single steps."""

    what: Literal["hold", "go-on", "stop", "confirm", "repeat", "gap", "reading", "zero", "finish"]
    text: str | None = None
    code: str | None = None  # of the action that is confirmed
    step: Step | None = None  # the gap to go to
    turn_back: bool = False  # whether it may lie back on the branch


Event = (
    Committed
    | NotRecorded
    | Stands
    | LiftFailed
    | CurrentFlows
    | CurrentFailed
    | LiftVoid
    | LiftBack
    | Accepted
    | NotBelieved
    | NotSettled
    | Level
    | Tapped
    | OutOfRange
    | BalanceGone
    | BalanceBack
    | Trouble
    | TroubleOver
    | TryAgain
    | Asked
)
