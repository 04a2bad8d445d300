"""The words between the daemon and its clients: JSON-RPC 2.0, one object a line.

After connecting, the daemon sends one ``greeting`` notification. Calls are answered once.
After ``subscribe`` it sends ``event`` notifications ``{"seq", "topic", "missed", "data"}``;
``seq`` counts per connection, ``missed`` says how many were dropped or coalesced for this
client since the last one it got. Units are in the keys; ``null`` is "known to be missing".
"""

from __future__ import annotations

from typing import Any, Final, Literal, NotRequired, TypedDict

PROTOCOL_VERSION: Final = 1

RunState = Literal["planned", "running", "held", "finished", "stopped"]
Topic = Literal["live", "point", "run", "device", "log"]
TOPICS: Final[tuple[Topic, ...]] = ("live", "point", "run", "device", "log")

#: What the next action is, as a code; ``text`` says it in one sentence.
ActionCode = Literal[
    "none",  # nothing to do for a person: the bench works by itself
    "wait-zero",  # hands off, the zero is being read
    "wait-reading",  # hands off, the reading is being taken
    "wait-move",  # the lift moves
    "remove-sample",  # take the sample away
    "place-sample",  # put the sample on (with sets_spacers: first set that many)
    "set-spacers",  # set the number of spacers, sample away
    "turn-over",  # turn the sample over in its holder, so that the field points the other way
    "set-current",  # set the current of the coil that is weighed in the sample's place
    "move-seat",  # move the seat that the coil stands on sideways
    "question",  # something looks wrong: the person decides
]


class Action(TypedDict):
    """What to do next. ``needs_confirm``: the run waits for ``run.confirm`` (or a filter event)."""

    code: ActionCode
    text: str
    needs_confirm: bool
    choices: list[str]  # for a question: the answers ``run.confirm`` takes
    spacers: int | None
    orientation: int | None
    hint: str  # hands-free: how the balance will know that it is done, "" where only a key tells
    sets_spacers: bool  # whether the number of spacers is to be set now
    current_A: NotRequired[float]  # what the coil's current is to be; ``run.confirm`` may say what it is
    ready: NotRequired[bool]  # a run by single steps: the last one is done, the next may be asked for


class Device(TypedDict):
    """One device: ``state`` is a DeviceState, ``age_s`` that of its last sensible word.

    ``telemetry`` is what a lift also measures, by name: temperature_K, hall_V, vibration_V. ``delay_s``: how
    late a balance was seen to answer a move, null before one was seen.
    """

    state: str
    why: str
    port: str
    age_s: float | None
    lines: int
    refused: int
    telemetry: NotRequired[dict[str, float]]
    delay_s: NotRequired[float | None]


class Live(TypedDict):
    """The last reading and what the settling filter makes of it."""

    time_s: float
    reading_kg: float | None
    mark: str | None
    accepted: bool
    reason: str
    text: str
    value_kg: float | None
    u_kg: float | None
    drift_kg_per_s: float | None
    breathing_Hz: float | None
    seconds_left: float | None


class Step(TypedDict):
    """One step of a run's plan. ``leg`` counts 0..4: first in, out, turned in, out, turned in; 5: afterwards.

    Of another programme it counts that one's passages, and what is read after them is of the next.
    Where no ``zero`` is read with the sample off, readings at the far end tell it, the sample either way up.
    """

    step: int
    kind: Literal["zero", "turn", "point"]
    leg: int
    gap_m: float | None
    height_m: float | None
    spacers: int | None
    orientation: int
    H_applied_A_per_m: float | None
    predicted_reading_kg: float | None
    saturated_reading_kg: NotRequired[float | None]  # as predicted, were the sample saturated along the field
    current_A: NotRequired[float]  # of a coil that is weighed in the sample's place
    seat_m: NotRequired[list[float]]  # x and y of its seat, where it is moved sideways
    target_u_kg: NotRequired[float]  # wanted standard uncertainty of this reading, where it has its own
    why: NotRequired[str]  # why a reading is taken here, where that was decided while the run went on
    wait_s: NotRequired[float]  # read so long after the gap's first reading, s


class Point(TypedDict):
    """One accepted reading as it stands in the store."""

    id: int
    step: int
    kind: Literal["zero", "point"]
    leg: int
    gap_m: float | None
    height_m: float | None
    spacers: int | None
    orientation: int
    value_kg: float
    u_kg: float
    drift_kg_per_s: float
    time_s: float  # the daemon's monotonic clock at the value's moment
    utc: str
    settled_in_s: float
    temperature_K: float | None
    hall_V: NotRequired[float | None]  # the lift's probes, where it has them
    vibration_V: NotRequired[float | None]
    vouched: NotRequired[bool]  # False: no clear answer to a move, then or later, speaks for it
    noise_kg: NotRequired[float | None]  # of single readings while it was taken, standard deviation
    current_A: NotRequired[float | None]  # of a coil that is weighed, as it was measured or said to be
    resistance_ohm: NotRequired[float]  # the coil's then, where it was measured
    seat_m: NotRequired[list[float]]  # as the step's
    balance: NotRequired[str]  # its serial number, where its dialect asks for it
    set_aside: str | None  # why it must not be used, else None
    note: str


class Run(TypedDict):
    """One run. ``steps_done`` counts; ``action`` is what happens next."""

    id: int
    sample: str
    state: RunState
    why: str
    ladder: Literal["lift", "spacers"]
    started_utc: str
    ended_utc: str | None
    steps: list[Step]
    steps_done: int
    seconds_left: float | None
    action: Action
    points: list[Point]
    bench_text: str
    hands_free: bool  # the balance may show that an action was done
    turner: NotRequired[bool]  # the lift turns the sample over: no hands between start and finish
    unattended: NotRequired[bool]  # held, it goes on by itself where that is safe
    coil: NotRequired[bool]  # a coil of known current is weighed in the sample's place: a calibration
    programme: NotRequired[str]  # another than the loop, by name, and what its readings are read off for:
    gives: NotRequired[str]  # recoil, remanence, reversal or decay
    warnings: NotRequired[list[str]]  # events of its log that are damaged and were left out, in words
    notes: NotRequired[list[str]]
    hidden: NotRequired[bool]


class RunLine(TypedDict):
    """One line of the list of runs."""

    id: int
    sample: str
    state: RunState
    why: str
    started_utc: str
    ended_utc: str | None
    points: int
    notes: NotRequired[list[str]]
    hidden: NotRequired[bool]  # lists leave it out unless asked
    upto: NotRequired[int]  # the last event of the run: what was computed up to it still holds


class StoreIdentity(TypedDict):
    """Which store this is (``uuid``) and which course of it (``epoch``: new when a restored copy goes on)."""

    uuid: str
    epoch: str


class LogLine(TypedDict):
    """One event of the append-only log, in words."""

    id: int
    run: int | None
    utc: str
    kind: str
    text: str


class Snapshot(TypedDict):
    """Everything a client needs to draw itself."""

    utc: str
    clock_s: float
    balance: Device | None
    lift: Device | None
    live: Live | None
    run: Run | None
    log: list[LogLine]
    controller: str | None
    bench_text: str  # of the bench file the daemon was started with, "" where there was none
    store: NotRequired[StoreIdentity]


class Devices(TypedDict):
    """Both devices, as the ``device`` topic carries them."""

    balance: Device | None
    lift: Device | None


class Greeting(TypedDict):
    """The parameters of the ``greeting`` notification."""

    protocol: int
    program: str
    utc: str
    needs_token: bool


#: What the ``data`` of an event is, by topic. ``live``, ``run`` and ``device`` are whole states:
#: a newer one replaces an older one a slow client has not taken yet.
TOPIC_DATA: Final[dict[Topic, str]] = {
    "live": "Live",
    "point": "Point (also when one is set aside)",
    "run": "Run or null, whole",
    "device": "Devices",
    "log": "LogLine",
}
REPLACEABLE: Final[frozenset[Topic]] = frozenset(("live", "run", "device"))

#: What a run is asked for in place of gaps, and where no figure is named.
CANNOT_HELP: Final = "readings cannot help"
REPEATED: Final = 10  # loops of a repeat, where that is not said
UNTIL: Final = (
    "str or null, optional, in place of points: as few readings as bring the figures there, such as "
    f'"HcJ 1 %, Mr 1 %", or "{CANNOT_HELP}"; planned again as they come'
)
#: How a lift's run knows the balance's zero.
ZEROS: Final = (
    "str or null, optional: hand (the sample is taken off for it) or far (readings at the far end tell it; "
    "so without it where there is a turner)"
)

#: A run that weighs the coil.
COIL: Final = {
    "coil": "bool, optional: the coil of [coil] is weighed in the sample's place, with both directions of "
    "its current: a calibration at `points` gaps, or a check of one by a single gap",
    "coil_current_A": "float or null, optional: its current; null: 14 ampere-turns",
    "coil_ends": "int, optional: how many of its ends are down in turn; without it 2, of a check 1",
    "coil_aside_m": "float or null, optional: its seat is moved so far to each side, at one gap (no points)",
}

#: What a run is.
PROGRAMME: Final = {
    "programme": "str or null, optional: loop (so without it), recoil, remanence, reversal, decay, repeat (a "
    "loop, loops times), or one of programmes",
    "programmes": "str or null, optional: programmes of one's own, a TOML text of passages",
}

#: Every method: parameters (name: what), result, and whether only the client in control may call it.
METHODS: Final[dict[str, tuple[str, dict[str, str], str, bool]]] = {
    "snapshot": ("everything needed to draw a screen", {}, "Snapshot", False),
    "status": ("health in short, for monitoring", {}, "object", False),
    "authenticate": (
        "say a key; needed first over TCP",
        {"token": "str: the watch key or the act key"},
        "bool",
        False,
    ),
    "subscribe": ("start the numbered stream", {"topics": "list of Topic"}, "bool", False),
    "control.take": ("become who may act", {"name": "str or null", "force": "bool, optional"}, "bool", False),
    "control.release": ("let others act", {}, "bool", True),
    "control.renounce": ("only watch from now on; this connection cannot act again", {}, "bool", False),
    "run.plan": (
        "the steps a run would have",
        {
            "bench_text": "str",
            "points": "int or null, optional with until: gaps on each passage",
            "until": UNTIL,
            "target_u_kg": "float or null, optional: wanted u of a reading, a mass in kg above zero",
            "zeros": ZEROS,
            **COIL,
            **PROGRAMME,
        },
        "object: steps, seconds, largest_pull_kg, expected_u_M_A_per_m (at the strongest field and at the "
        "weakest; null where a reading says nothing of M), warnings, attendance (when somebody is expected "
        "to be needed: seconds from the start, and what for)",
        False,
    ),
    "run.start": (
        "plan and start a run",
        {
            "bench_text": "str",
            "points": "int or null, optional with until: gaps on each passage",
            "until": UNTIL,
            "target_u_kg": "float or null",
            "name": "str or null",
            "queue": "bool, optional: wait for the present run's end",
            "loops": "int, optional: this many runs, one after the other",
            "not_before_utc": "str or null, optional: ISO 8601",
            "hands_free": "bool, optional: spacers; the balance may show that an action was done. "
            "Only for clients that give the code with run.confirm",
            "spacers_on_pan": "bool, optional: whether spacers lie between magnet and pan (so without it) "
            "or under the sample, where only its pull shows them",
            "unattended": "bool, optional: held, it goes on by itself where that is safe",
            "runs": "list of object, optional: several runs, one after the other; each may have bench_text, "
            "points, until, target_u_kg, name, loops, not_before_utc, zeros, programme of its own",
            "deadline_utc": "str or null, optional: ISO 8601; none of the runs is begun that would not be "
            "done by then, and one under way then is stopped",
            "most_held": "int or null, optional: held so often in all, the rest is not begun",
            "most_drift_kg": "float or null, optional: the zero having moved by more in a run, the rest is "
            "not begun",
            "zeros": ZEROS,
            **COIL,
            **PROGRAMME,
        },
        "int: the run's id",
        True,
    ),
    "run.open": (
        "begin a run by single steps: a script asks for them, as each is done; needs a lift",
        {"bench_text": "str", "target_u_kg": "float or null", "name": "str or null"},
        "int: the run's id",
        True,
    ),
    "gap.go": (
        "single step: go to a gap (the zero and the turn that it needs come first)",
        {
            "gap_m": "float",
            "orientation": "int, optional: +1 or -1; left out: as it is",
            "turn_back": "bool, optional: whether the gap may lie back on the branch, which begins another",
        },
        "int: the step's number",
        True,
    ),
    "reading.take": (
        "single step: one settled reading at the gap where the sample stands",
        {},
        "int: the step's number, as in the point",
        True,
    ),
    "zero.take": (
        "single step: the lift to the far end, the sample away, one settled reading",
        {"turn_back": "bool, optional: whether the branch may end on its way in"},
        "int: the step's number, as in the point",
        True,
    ),
    "run.finish": ("end a run by single steps, with a last zero", {}, "bool", True),
    "run.hold": ("hold the run", {"why": "str or null"}, "bool", True),
    "run.go_on": ("go on with a held run", {}, "bool", True),
    "run.stop": ("end the run; the lift goes to the far end", {"why": "str or null"}, "bool", True),
    "run.confirm": (
        "the person did it, or answers",
        {
            "choice": "str or null: an answer; of set-current the current, such as 19.98 mA",
            "code": "str or null, optional: of the action that is confirmed",
        },
        "bool",
        True,
    ),
    "run.repeat": ("take the present gap's reading once more", {}, "bool", True),
    "run.set_aside": ("mark a point as not to be used", {"point": "int", "why": "str or null"}, "bool", True),
    "run.note": ("write a note into the run's log", {"text": "str"}, "bool", True),
    "balance.rezero": ("send the balance its re-zero command", {}, "bool", True),
    "runs.list": ("the runs in the store", {}, "list of RunLine", False),
    "runs.get": ("one run whole", {"run": "int"}, "Run", False),
    "runs.together": ("a run and those that it was started with", {"run": "int"}, "list of int", False),
    "runs.rename": ("give a run's sample another name", {"run": "int", "name": "str"}, "bool", True),
    "runs.note": ("write a note on any run", {"run": "int", "text": "str"}, "bool", True),
    "runs.hide": (
        "leave a run out of lists, or take it back in; nothing of it is deleted",
        {"run": "int", "hidden": "bool, optional: true where it is left out"},
        "bool",
        True,
    ),
    "readings.overview": (
        "raw readings thinned to a width: lowest and highest in each slot",
        {"run": "int or null", "slots": "int"},
        "object: time_s, low_kg, high_kg",
        False,
    ),
    "shutdown": ("stop the daemon; a running run is held", {}, "bool", True),
}

#: Longest text of a note, a name or a reason, characters.
LONGEST_TEXT: Final = 10_000

#: JSON-RPC error codes of our own, beside the standard's.
ERROR_NOT_POSSIBLE: Final = 1
ERROR_BAD_INPUT: Final = 2
ERROR_NOT_IN_CONTROL: Final = 3

JsonObject = dict[str, Any]
