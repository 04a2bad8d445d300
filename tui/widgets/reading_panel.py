"""The live reading in large digits, what the filter makes of it, and where the sample is."""

from __future__ import annotations

from rich.text import Text
from textual.app import ComposeResult
from textual.containers import Vertical

from ..format import grams, kiloamps, level, live_state, millimetres, more, orientation_words, telemetry_words
from ..state.snapshot import STALE_AFTER_S, LiveSnapshot, bench_facts, foreseen, last_zero, next_step
from .big_digits import BigDigits
from .listing import Lines

#: Lines that the state in words has room for.
STATE_LINES = 3


class ReadingPanel(Vertical):
    """Digits, state in words, the settled value, and the present place on the ladder."""

    def compose(self) -> ComposeResult:
        yield BigDigits(id="digits", unit="g")
        yield Lines(id="state")
        yield Lines(id="where")
        yield Lines(id="measured")

    def show_live(self, snapshot: LiveSnapshot) -> None:
        """The quick part, at the beat of the live reading."""
        digits, state = live_texts(snapshot)
        state.append("\n" * (STATE_LINES - 1 - state.plain.count("\n")))  # what stands below does not jump
        self.query_one("#digits", BigDigits).show(digits)
        self.query_one("#state", Lines).show(state)

    def show_measured(self, snapshot: LiveSnapshot) -> None:
        """What the lift's probes measure, where it has any."""
        words = telemetry_words(snapshot.lift) if snapshot.linked else []
        self.query_one("#measured", Lines).show(Text("\n".join(words)))

    def show_where(self, snapshot: LiveSnapshot) -> None:
        """The slow part: when the run has moved on."""
        self.query_one("#where", Lines).show(where_text(snapshot))


def live_texts(snapshot: LiveSnapshot) -> tuple[str, Text]:
    """The digits, and the lines below them. An old reading is never shown as if it were fresh."""
    live = snapshot.live
    silent = snapshot.silent_for()
    _, decimals = bench_facts(snapshot.bench_text)
    sign, words = live_state(live, silent) if snapshot.linked else ("×", "no link to the daemon")
    fresh = live is not None and silent <= STALE_AFTER_S and snapshot.linked
    digits = ""
    if fresh and live is not None and live["reading_kg"] is not None:
        digits = grams(live["reading_kg"], decimals).replace("−", "-")
    text = Text()
    text.append(f"{sign} {words}", style="bold")
    if not fresh or live is None:
        return digits, text
    if live["seconds_left"] is not None and not live["accepted"]:
        text.append(f"\n{more(live['seconds_left'])}")
    elif live["accepted"]:
        text.append("\nknown well enough")
    else:
        text.append("\n" + (live["text"] or ""))
    if live["value_kg"] is not None:
        text.append(f"\nlevel {level(live['value_kg'], live['u_kg'], decimals + 1)}")
    return digits, text


def where_text(snapshot: LiveSnapshot) -> Text:
    """Gap, field and orientation of the step under way."""
    run = snapshot.run
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
    amps = step.get("current_A")
    if amps is not None:
        side = "● marked face up" if step["orientation"] > 0 else "○ marked face down"
        return text.append(f"current {amps * 1e3:+.2f} mA\n{side}\n")
    text.append(f"field {kiloamps(step['H_applied_A_per_m'])}\n")
    text.append(orientation_words(step["orientation"]) + "\n")
    ahead = next(foreseen(run), None)
    if ahead is not None:
        sign, _ = bench_facts(run["bench_text"])
        expected = last_zero(run) + sign * ahead.pull
        # Three figures: it is predicted to a few percent, if so well.
        reading = grams(expected, 1 if abs(expected) >= 0.01 else 2 if abs(expected) >= 0.001 else 3)
        text.append(f"{'expected' if ahead.by_the_loop else 'planned'} {reading} g", style="dim")
    return text
