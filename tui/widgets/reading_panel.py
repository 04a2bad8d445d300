"""The live reading in large digits, what the filter makes of it, and where the sample is."""

from __future__ import annotations

from rich.text import Text
from textual.app import ComposeResult
from textual.containers import Vertical
from textual.widgets import Static

from ..picture import Picture, bench_facts, foreseen, last_zero, next_step
from ..words import (
    STALE_AFTER_S,
    duration,
    grams,
    kiloamps,
    live_state,
    milligrams,
    millimetres,
    orientation_words,
    telemetry_words,
)
from .big_digits import BigDigits


class Lines(Static):
    """A text that changes often: the screen is laid out anew only where it takes more or fewer lines."""

    _shown: Text | None = None

    def show(self, text: Text) -> None:
        """Show a text; nothing is redrawn where nothing changed."""
        old, self._shown = self._shown, text
        if text == old:
            return
        before = [] if old is None else old.plain.split("\n")
        lines = text.plain.split("\n")
        wraps = any(len(line) > self.size.width for line in before + lines)
        self.update(text, layout=len(lines) != len(before) or wraps)


class ReadingPanel(Vertical):
    """Digits, state in words, the settled value, and the present place on the ladder."""

    def compose(self) -> ComposeResult:
        yield BigDigits(id="digits", unit="g")
        yield Lines(id="state", markup=False)
        yield Static(id="where", markup=False)
        yield Lines(id="measured", markup=False)

    def show_live(self, picture: Picture) -> None:
        """The quick part: at most five times a second."""
        digits, state = live_texts(picture)
        self.query_one("#digits", BigDigits).show(digits)
        self.query_one("#state", Lines).show(state)

    def show_measured(self, picture: Picture) -> None:
        """What the lift's probes measure, where it has any."""
        words = telemetry_words(picture.lift) if picture.linked else []
        self.query_one("#measured", Lines).show(Text("\n".join(words)))

    def show_where(self, picture: Picture) -> None:
        """The slow part: when the run has moved on."""
        self.query_one("#where", Static).update(where_text(picture))


def live_texts(picture: Picture) -> tuple[str, Text]:
    """The digits, and the lines below them. An old reading is never shown as if it were fresh."""
    live = picture.live
    silent = picture.silent_for()
    _, decimals = bench_facts(picture.bench_text)
    sign, words = live_state(live, silent) if picture.linked else ("×", "no link to the daemon")
    fresh = live is not None and silent <= STALE_AFTER_S and picture.linked
    digits = "---"
    if fresh and live is not None and live["reading_kg"] is not None:
        digits = grams(live["reading_kg"], decimals).replace("−", "-")
    text = Text()
    text.append(f"{sign} {words}", style="bold")
    if not fresh or live is None:
        return digits, text
    if live["seconds_left"] is not None and not live["accepted"]:
        text.append(f"\nabout {duration(live['seconds_left'])} more")
    elif live["accepted"]:
        text.append("\nknown well enough")
    else:
        text.append("\n" + (live["text"] or ""))
    if live["value_kg"] is not None:
        text.append(f"\nlevel {grams(live['value_kg'], decimals + 1)} g ± {milligrams(live['u_kg'])}")
    return digits, text


def where_text(picture: Picture) -> Text:
    """Gap, field and orientation of the step under way."""
    run = picture.run
    step = next_step(run) if run else None
    if run is None or step is None or run["state"] in ("finished", "stopped"):
        return Text("")
    text = Text()
    if step["kind"] != "point":
        text.append("zero, sample away\n" if step["kind"] == "zero" else "turning over\n")
        return text
    if step["spacers"] is not None:
        text.append(f"spacers {step['spacers']}   ")
    text.append(f"gap {millimetres(step['gap_m'])}\n")
    text.append(f"field {kiloamps(step['H_applied_A_per_m'])}\n")
    text.append(orientation_words(step["orientation"]) + "\n")
    ahead = next(iter(foreseen(run)), None)
    if ahead is not None:
        sign, _ = bench_facts(run["bench_text"])
        expected = last_zero(run) + sign * ahead.pull
        # Three figures: it is foretold to a few percent, if so well.
        reading = grams(expected, 1 if abs(expected) >= 0.01 else 2 if abs(expected) >= 0.001 else 3)
        text.append(f"{'expected' if ahead.by_the_loop else 'planned'} {reading} g", style="dim")
    return text
