"""What to do next, in one sentence, readable with both hands full."""

from __future__ import annotations

from rich.text import Text
from textual.app import ComposeResult
from textual.containers import Horizontal

from ..format import ASKS_A_PERSON
from ..state.snapshot import LiveSnapshot, last_spacers
from .big_digits import BigDigits
from .listing import Lines


class ActionLine(Horizontal):
    """A tag, the sentence, and a hint; with the number of spacers in large digits when there is one."""

    def compose(self) -> ComposeResult:
        yield BigDigits(id="spacers", largest=1)
        yield Lines(id="sentence")

    def show(self, snapshot: LiveSnapshot) -> None:
        """Say what comes next."""
        tag, sentence, hint, kind, spacers = what_next(snapshot)
        digits = self.query_one("#spacers", BigDigits)
        digits.display = spacers is not None
        if spacers is not None:
            digits.show(str(spacers))
        aside = "" if kind == "person" else "dim"  # too faint on the ground of what waits for a person
        text = Text()
        text.append(tag, style="dim" if kind == "quiet" else "")
        text.append("\n")
        text.append(sentence, style="bold")
        if hint:
            text.append(f"\n{hint}", style=aside)
        self.query_one("#sentence", Lines).show(text)
        self.set_classes(kind)


def what_next(snapshot: LiveSnapshot) -> tuple[str, str, str, str, int | None]:
    """Tag, sentence, hint, kind (``person``, ``quiet``, ``held``) and number of spacers, from the picture.

    A screen that only watches is offered no key.
    """
    acts = not snapshot.only_watches
    if not snapshot.linked:
        hint = "Trying again every few seconds. Start one with: weighloop daemon"
        return "NO LINK", snapshot.why, hint, "held", None
    run = snapshot.run
    if run is None:
        return "READY", "Nothing is being weighed.", "w: weigh a new sample" * acts, "quiet", None
    name = f"run {run['id']}, {run['sample']}"
    action = run["action"]
    if run["state"] == "finished":
        return "FINISHED", f"{name}: all readings are taken.", "", "quiet", None
    if run["state"] == "stopped":
        why = f": {run['why']}" if run["why"] else ""
        return "STOPPED", f"{name} was stopped{why}.", "", "quiet", None
    if action["code"] == "question":
        return f"QUESTION, {name}", action["text"], "Enter: choose the answer" * acts, "person", None
    if run["state"] == "held":
        why = run["why"] or "The run is held."
        # The way out stands on the first line: a long reason must not push it out of sight.
        return f"HELD, {name}" + "   g: go on   s: stop" * acts, why[:1].upper() + why[1:], "", "held", None
    if action["code"] in ASKS_A_PERSON or action["needs_confirm"]:
        keys = ("; or Enter" if action["hint"] else "Enter when done") * acts
        if action["code"] == "set-current":
            keys += "; i: the meter shows another current" * acts
        hint = f"{action['hint']}{keys}"
        if action["sets_spacers"] and (now := last_spacers(run)) is not None and now != action["spacers"]:
            hint = f"until now {now}{'; ' * bool(hint)}{hint}"
        count = action["spacers"] if action["sets_spacers"] else None
        return f"NOW YOU, {name}", action["text"], hint, "person", count
    return f"HANDS OFF, {name}", action["text"] or "The bench works by itself.", "", "quiet", None
