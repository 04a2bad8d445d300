"""Every key of the screen, as data: what it does, where, and how it is called."""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

if TYPE_CHECKING:
    from textual.binding import BindingType


@dataclass(frozen=True)
class Key:
    """One action: the keys that do it, its word on the key row, and a sentence for the help page."""

    action: str
    keys: str
    word: str
    sentence: str
    on_row: bool = True
    #: The situations (``LiveSnapshot.situation``) in one of which it does something; empty: in all.
    when: tuple[str, ...] = ()
    #: What it acts on: "bench", with what its daemon keeps, or "file"; empty where it only shows.
    acts: str = ""


#: Where there is a run; and where no run reads its own zeros.
RUN: Final = ("going", "held", "over")
AT_REST: Final = ("no run", "held", "over")

#: Wherever the balance is looked at.
REZERO: Final = Key(
    "rezero", "z", "Re-zero", "Send the balance its re-zero command (asks first).", when=AT_REST, acts="bench"
)
#: By place. ``everywhere`` holds on every view; a view's own keys come first on the row.
KEYS: Final[dict[str, tuple[Key, ...]]] = {
    "everywhere": (
        Key("view('run')", "1", "Run", "The run: loop, live reading, what to do next.", False),
        Key("view('steadiness')", "2", "Steadiness", "How steady the balance is, and what to try.", False),
        Key("view('figures')", "3", "Figures", "The loop figures with intervals and budget.", False),
        Key("view('runs')", "4", "Runs", "The runs in the store: open, compare.", False),
        Key("view('bench')", "5", "Bench", "Devices, bench file, checks before first use.", False),
        Key(
            "new_run",
            "w",
            "New",
            "Weigh a new sample: a short form writes the bench file.",
            when=("no run", "over"),
            acts="bench",
        ),
        Key("lightness", "l", "Light/dark", "Change between light and dark.", False),
        Key("command_palette", "ctrl+p,colon", "Find", "Find a command, a view or a run by its words."),
        Key("help", "question_mark", "Help", "This page."),
        Key("quit", "q", "Leave", "Leave the screen. A run goes on without it; attach again at any time."),
    ),
    "run": (
        Key(
            "confirm",
            "enter,space",
            "Done",
            "It is done: go on. For a question: choose the answer.",
            when=("asks",),
            acts="bench",
        ),
        Key("go_on", "g", "Go on", "Go on with a held run.", when=("held",), acts="bench"),
        Key(
            "hold", "h", "Hold", "Hold the run; nothing moves until you go on.", when=("going",), acts="bench"
        ),
        Key(
            "meter",
            "i",
            "Meter",
            "Of the coil's current: say what the meter shows in place of what was asked for.",
            when=("current",),
            acts="bench",
        ),
        Key(
            "stop",
            "s",
            "Stop",
            "Stop the run for good (asks first); a lift goes to its far end.",
            when=("going", "held"),
            acts="bench",
        ),
        Key(
            "repeat", "r", "Repeat", "Take the reading at this gap once more.", when=("going",), acts="bench"
        ),
        Key(
            "report", "e", "Report", "Write the report of the run that is over.", when=("over",), acts="file"
        ),
        Key(
            "package",
            "x",
            "Export",
            "Write the run that is over as a data package.",
            when=("over",),
            acts="file",
        ),
        Key(
            "set_aside",
            "a",
            "Aside",
            "Mark a reading as not to be used, or take it back in.",
            when=("readings",),
            acts="bench",
        ),
        Key(
            "note",
            "n",
            "Note",
            "Write a note into the run's log.",
            when=("going", "held", "over"),
            acts="bench",
        ),
        Key("what_is_drawn", "m", "M/pull", "Draw the magnetisation or the plain pull.", False),
        Key("copy", "y", "Copy", "Copy the live reading to your clipboard (over SSH too).", False),
    ),
    "steadiness": (
        Key("which_plot", "v", "Other plot", "Spectrum or Allan deviation, where there is room for one."),
        Key("whole_run", "t", "Whole run", "The last two minutes, or the whole run.", when=RUN),
        Key("again", "r", "Again", "Forget the trace and listen again."),
        REZERO,
        Key("copy", "y", "Copy", "Copy the verdict and its numbers."),
    ),
    "figures": (
        Key("compute", "r", "Again", "Compute the figures again."),
        Key("which_plot", "v", "Other plot", "Another plot of what a programme gave.", when=("plots",)),
        Key(
            "repeats",
            "t",
            "Repeats",
            "Loops that were run together, against temperature and time; once more: back to this one.",
            when=("loop",),
        ),
        Key("copy", "y", "Copy", "Copy the table of figures.", when=("figures",)),
        Key("report", "e", "Report", "Write the report of this run.", when=("one run",), acts="file"),
        Key("package", "x", "Export", "Write this run as a data package.", when=("one run",), acts="file"),
        Key(
            "present",
            "p",
            "Present run",
            "Back from an opened run to the one on the bench.",
            when=("opened",),
        ),
    ),
    "runs": (
        Key("open", "o,enter", "Open", "Open the run: its figures and its loop.", when=("runs",)),
        Key("find", "slash", "Find", "Only the runs whose sample, date or notes have these words."),
        Key("mark", "space", "Mark", "Mark two to six runs to compare.", when=("runs",)),
        Key("compare", "c", "Compare", "Draw the marked runs over each other.", when=("marked",)),
        Key("rename", "m", "Rename", "Give the run's sample another name.", when=("runs",), acts="bench"),
        Key("note", "n", "Note", "Write a note on the run.", when=("runs",), acts="bench"),
        Key(
            "hide",
            "h",
            "Hide",
            "Leave the run out of the list, or take it back in.",
            when=("runs",),
            acts="bench",
        ),
        Key("hidden", "v", "Hidden", "Show hidden runs too, or leave them out.", False),
        Key("report", "e", "Report", "Write the report of the run.", when=("runs",), acts="file"),
        Key("package", "x", "Export", "Write the run as a data package.", when=("runs",), acts="file"),
        Key("refresh", "r", "Again", "Read the list again.", False),
    ),
    "bench": (
        REZERO,
        Key("cautions", "c", "Cautions", "Show the cautions again."),
        Key("refresh", "r", "Again", "Ask the daemon for everything again."),
    ),
}


def offered(key: Key, situation: Collection[str]) -> bool:
    """Whether a key does anything as things stand."""
    if (key.acts and "watches" in situation) or (key.acts == "bench" and "no link" in situation):
        return False
    return not key.when or any(one in situation for one in key.when)


def bindings(place: str) -> list[BindingType]:
    """The Textual bindings of one place."""
    from textual.binding import Binding

    return [Binding(key.keys, key.action, key.word, show=key.on_row) for key in KEYS[place]]


def shown(key: Key) -> str:
    """How a key is written for a person."""
    names = {"question_mark": "?", "enter": "Enter", "ctrl+p": "Ctrl-P", "colon": ":", "slash": "/"}
    return " or ".join(names.get(name, name) for name in key.keys.split(","))
