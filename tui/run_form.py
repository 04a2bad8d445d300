"""What the form asks of a run and of a list of runs: fields as data, the daemon's parameters out."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any, Final

from ..daemon.protocol import CANNOT_HELP, REPEATED
from .bench_form import CURRENTS, MASSES, Field, amount, holds, name_fault
from .format import next_moment

#: Runs that one start may ask for.
MOST_RUNS = 1000

#: Where the spacers are that do not lift the sample: then their mass is weighed, or not.
ON_PAN = "under the magnet"

#: In place of gaps: as few readings as the answer needs.
FEW = "few"

#: How the zero is known.
BY_PLAN, BY_HAND, AT_FAR_END = "as the bench can", "sample off, by hand", "at the far end"
_ZEROS: Final = {BY_PLAN: None, BY_HAND: "hand", AT_FAR_END: "far"}

_LIFT: Final = ("gap.ladder", ("lift",))
_SPACERS: Final = ("gap.ladder", ("spacers",))

#: What a run weighs: the coil of [coil] at several gaps calibrates the bench, at one it checks that, and
#: moved sideways there it finds the magnet's axis.
WEIGHS: Final = ("the sample", "the coil", "the coil, one gap", "the coil, sideways")
#: Gaps of a loop's passage and of a calibration, where nobody asks for others.
GAPS: Final[dict[str, str]] = dict(zip(WEIGHS, ("22", "6", "1", "1"), strict=True))

#: What a run of the sample is, and what that is in a few words.
PROGRAMMES: Final = {
    "loop": "whole, both orientations",
    "recoil": "back from reverse fields",
    "remanence": "what each field leaves",
    "reversal": "first-order reversal curves",
    "decay": "one field held for hours",
    "repeat": "the loop again and again",
}

#: What is not of the bench: how many gaps a passage, how well each reading is wanted, who says "done".
RUN_FIELDS: Final = (
    Field("run.programme", "programme", "loop", PROGRAMMES["loop"], choices=tuple(PROGRAMMES)),
    Field("run.weighs", "weighs", WEIGHS[0], "the coil: a calibration", choices=WEIGHS),
    Field("run.current", "current", "", "such as 48 mA, or empty", when=("run.weighs", WEIGHS[1:])),
    Field("run.aside", "to each side", "3 mm", "for the magnet's axis", when=("run.weighs", WEIGHS[3:])),
    Field("run.points", "gaps", "22", f"of a loop also {FEW}; HcJ 1 %"),
    Field("run.target", "uncertainty", "2 mg", "of a reading, or empty"),
    Field("run.loops", "runs", "1", "alike, one after the other"),
    Field(
        "run.unattended",
        "unattended",
        "yes",
        "goes on by itself where safe",
        choices=("yes", "no"),
        when=_LIFT,
    ),
    Field(
        "run.hands_free",
        "hands-free",
        "yes",
        "the balance notices; or taps",
        choices=("yes", "no"),
        when=_SPACERS,
    ),
    Field(
        "run.spacers_lie",
        "spacers lie",
        ON_PAN,
        "those not under the sample",
        choices=(ON_PAN, "aside"),
        when=_SPACERS,
    ),
)

#: How and when the run is done, and what ends the whole list that it is of.
LIST_FIELDS: Final = (
    Field("run.zeros", "zeros", BY_PLAN, "a turner's: far end", choices=tuple(_ZEROS), when=_LIFT),
    Field("run.not_before", "not before", "", "such as 22:00, or empty"),
    Field("run.deadline", "list done by", "", "such as 07:30, or empty"),
    Field("run.most_held", "held at most", "", "times in all, or empty"),
    Field("run.most_drift", "zero moves by", "", "at most, such as 20 mg"),
)


def plan_of(values: Mapping[str, str]) -> dict[str, Any]:
    """Gaps a passage or what is asked of the figures, the wanted uncertainty in kg and how the zero is known,
    as ``run.plan`` has them. Raises ValueError in words."""
    if (fault := name_fault(values["sample.name"])) is not None:
        raise ValueError(f"sample.name: {fault}")
    points = values["run.points"].strip()
    zeros = _ZEROS[values["run.zeros"]] if values["gap.ladder"] == "lift" else None
    found = {"target_u_kg": _mass("uncertainty", values["run.target"], "2 mg"), "zeros": zeros}
    coil = values["run.weighs"] != WEIGHS[0]
    if coil:
        current = amount("current", values["run.current"], CURRENTS, 'a current such as "48 mA"')
        found |= {"coil": True, "coil_current_A": current}
    if values["run.weighs"] == WEIGHS[3]:
        aside = amount("to each side", values["run.aside"], {"mm": 1e-3}, 'a length such as "3 mm"')
        found |= {"coil_aside_m": aside or 3e-3}
    if not coil and (name := values["run.programme"]) != "loop":
        found |= {"programme": name}
        if not points.isdecimal():
            raise ValueError(
                f"gaps: {points!r} is of the loop alone; a programme wants a number from 2 to 200"
            )
    if not coil and (points == FEW or "%" in points):
        return {"until": CANNOT_HELP if points == FEW else points, **found}
    least = 1 if coil else 2
    if not points.isdecimal() or not least <= int(points) <= 200:
        few = "" if coil else f", nor {FEW}"
        raise ValueError(f"gaps: {points!r} is not a whole number from {least} to 200{few}")
    return {"points": int(points), **found}


def entry_of(values: Mapping[str, str], bench_text: str) -> dict[str, Any]:
    """One run, or several alike, as ``run.start`` takes an entry of its list. Raises ValueError in words."""
    loops = values["run.loops"].strip()
    if not loops.isdecimal() or not 1 <= int(loops) <= MOST_RUNS:
        raise ValueError(f"runs: {loops!r} is not a whole number from 1 to {MOST_RUNS}")
    plan = plan_of(values)
    # Again and again, as often as the daemon has it, where only one run is asked for.
    many = {} if plan.get("programme") == "repeat" and loops == "1" else {"loops": int(loops)}
    return {
        **plan,
        "bench_text": bench_text,
        "name": values["sample.name"].strip() or None,
        **many,
        "not_before_utc": _moment("not before", values["run.not_before"]),
    }


def loops_of(values: Mapping[str, str]) -> int:
    """How many runs alike are done one after the other; 1 where that is not sensibly said."""
    loops = values["run.loops"].strip()
    repeat = values["run.programme"] == "repeat" and values["run.weighs"] == WEIGHS[0]
    return REPEATED if repeat and loops == "1" else int(loops) if loops.isdecimal() else 1


def ends_of(values: Mapping[str, str]) -> dict[str, Any]:
    """What ends a list of runs, and who is there. Raises ValueError in words."""
    held = values["run.most_held"].strip()
    if held and not (held.isdecimal() and int(held) > 0):
        raise ValueError(f"held at most: {held!r} is not a whole number from 1")

    def yes(key: str) -> bool:
        field = next(field for field in RUN_FIELDS if field.key == key)
        return holds(field, values) and values[key] == "yes"

    return {
        "deadline_utc": _moment("list done by", values["run.deadline"]),
        "most_held": int(held) if held else None,
        "most_drift_kg": _mass("zero moves by", values["run.most_drift"], "20 mg"),
        "unattended": yes("run.unattended"),
        "hands_free": yes("run.hands_free"),
        "spacers_on_pan": values["run.spacers_lie"] == ON_PAN,
    }


def entry_words(values: Mapping[str, str]) -> str:
    """A run of the list in words: ``30 × WP-07-4, 12 gaps, not before 22:00``."""
    loops, later = values["run.loops"].strip(), values["run.not_before"].strip()
    many = f"{loops} × " if loops != "1" else ""
    after = f", not before {later}" if later else ""
    points = values["run.points"].strip()
    points = f"{points} gaps" if points.isdecimal() else points
    return f"{many}{values['sample.name'].strip()}, {points}{after}"


def _moment(label: str, text: str) -> str | None:
    """A clock time to come, None for an empty field."""
    try:
        return next_moment(text.strip()) if text.strip() else None
    except ValueError as error:
        raise ValueError(f"{label}: {error}") from None


def _mass(label: str, text: str, like: str) -> float | None:
    """``2 mg`` in kg, None for an empty field."""
    return amount(label, text, MASSES, f'a mass such as "{like}"')
