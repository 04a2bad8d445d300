"""What taps on the pan say: how many of them, when, and what of the run's own commands that is. Pure.

Two taps say "done", three open the list of all else that can be said now; a question's answers stand beside
them. A number keeps its meaning from one state to the next, so that who knows it need not read. A word is on
the list where the procedure itself would take it: it is asked, and what it would do is thrown away.

With a lift no word may set the stage going: only holding, ending the run (which sends it to the far end),
notes and readings set aside are said by taps.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace
from typing import Final

from ..procedure.commands import answer
from ..procedure.events import Asked, BenchState, Record, Refuse, Tapped
from ..procedure.next_task import action_of
from ..procedure.run import RunRecord
from ..protocol import Point, TapList, TapWord

BY_TAPS: Final = "by taps"
#: Taps that say "done", that open the list, and the first of those that answer a question. The answer that
#: takes nothing on trust has the fewest; two, which may be a late "done", never answer.
DONE, OPEN, ANSWERS = 2, 3, 4

#: What there is to say of a reading, in a note or as why it must not be used, from two taps on. Any other
#: text needs the keyboard.
REMARKS: Final = (
    "the pan was touched",
    "the bench was knocked",
    "a draught",
    "the sample did not lie right",
    "the sample was dropped",
    "a spacer was changed",
)


@dataclass(frozen=True)
class Word:
    """So many taps, and what follows: a word to the procedure, an entry, a further list; or nothing."""

    taps: int
    text: str
    does: Tapped | Asked | Record | Words | None = None


@dataclass(frozen=True)
class Words:
    """A list to choose from; ``title`` asks what."""

    title: str
    words: tuple[Word, ...]

    def by(self, taps: int) -> Word | None:
        """The word of so many taps; None where there is none."""
        return next((word for word in self.words if word.taps == taps), None)


def listens(run: RunRecord | None) -> bool:
    """Whether taps are words of this run."""
    return run is not None and run.hands_free and run.state in ("running", "held")


def at_once(run: RunRecord, stage: BenchState) -> Words:
    """What taps say while no list is open: done, the list, the answers to what is asked."""
    action = action_of(run, stage)
    words = [Word(OPEN, "something else")]
    if action["code"] != "question":
        if action["needs_confirm"] and run.ladder == "spacers":
            words.insert(0, Word(DONE, "done", Tapped()))
        return Words("", tuple(words))
    asked = [Asked("confirm", choice, "question") for choice in reversed(action["choices"])]
    words += [
        Word(taps, it.text or "", it) for taps, it in enumerate(asked, ANSWERS) if _taken(run, stage, it)
    ]
    return Words("", tuple(words))


def all_else(run: RunRecord, stage: BenchState) -> Words:
    """The list that three taps open."""
    words = [word for taps, entry in TABLE for word in entry(taps, run, stage)]
    return Words("What is it?", tuple(words))


def told(words: Words, opened: bool, heard: int, unsure: bool) -> TapList:
    """As clients see it."""
    lines: list[TapWord] = [{"taps": word.taps, "text": word.text} for word in words.words]
    return {"open": opened, "title": words.title, "words": lines, "heard": heard, "unsure": unsure}


def _taken(run: RunRecord, stage: BenchState, asked: Asked) -> bool:
    """Whether the procedure would take a word now, and no stage would move for it."""
    if run.ladder == "lift" and asked.what not in ("hold", "stop"):
        return False
    _, _, acts = answer(run, replace(stage, unrecorded=0), asked)
    return not any(isinstance(act, Refuse) for act in acts)


Entry = Callable[[int, RunRecord, BenchState], Iterator[Word]]


def _asks(text: str, asked: Asked) -> Entry:
    def entry(taps: int, run: RunRecord, stage: BenchState) -> Iterator[Word]:
        if _taken(run, stage, asked):
            yield Word(taps, text, asked)

    return entry


def _aside(taps: int, run: RunRecord, stage: BenchState) -> Iterator[Word]:
    """The last reading of the sample set aside, or taken back where taps had set it aside."""
    point = next((p for p in reversed(run.points) if p["kind"] == "point"), None)
    if point is None or point["set_aside"] not in (None, *REMARKS):
        return
    last = f"the last reading ({_place(point)})"
    if point["set_aside"] is not None:
        yield Word(taps, f"use {last} again", _mark(point, "is used again", None))
        return
    reasons = (Word(count, why, _mark(point, f"set aside: {why}", why)) for count, why in _remarks())
    yield Word(taps, f"set {last} aside", Words("Why must it not be used?", tuple(reasons)))


def _note(taps: int, run: RunRecord, stage: BenchState) -> Iterator[Word]:
    notes = (
        Word(count, text, Record("note", f"{text} ({BY_TAPS})", {"how": BY_TAPS}))
        for count, text in _remarks()
    )
    yield Word(taps, "write a note", Words("Which note? Any other: n at the keyboard.", tuple(notes)))


def _stop(taps: int, run: RunRecord, stage: BenchState) -> Iterator[Word]:
    stop = Asked("stop", BY_TAPS)
    if _taken(run, stage, stop):
        sure = (Word(2, "no, leave it"), Word(4, "yes, stop it", stop))
        yield Word(taps, "stop this run", Words("Stop this run for good?", sure))


def _remarks() -> Iterator[tuple[int, str]]:
    return enumerate(REMARKS, 2)


def _mark(point: Point, what: str, why: str | None) -> Record:
    data = {"point": point["id"], "why": why, "how": BY_TAPS}
    return Record("set-aside", f"Reading {point['id']} ({_place(point)}) {what} ({BY_TAPS})", data)


def _place(point: Point) -> str:
    gap = f"{(point['gap_m'] or 0.0) * 1e3:.2f} mm"
    return gap if point["spacers"] is None else f"{point['spacers']} spacers"


#: The list that three taps open: how many taps, and what they say where it can be said now.
TABLE: Final[tuple[tuple[int, Entry], ...]] = (
    (2, _asks("hold the run", Asked("hold", BY_TAPS))),
    (2, _asks("go on", Asked("go-on"))),
    (3, _asks("read this gap once more", Asked("repeat"))),
    (4, _aside),
    (5, _note),
    (6, _stop),
)
