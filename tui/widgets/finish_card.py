"""What a run that is over has brought: its main figures, and where to go from here."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from rich.text import Text
from textual.app import ComposeResult
from textual.containers import Vertical

from ...daemon.protocol import Run
from ..figure_words import MAIN, name_of, short_cell, symbol_of
from ..format import duration
from .key_bar import Hints
from .listing import Lines

if TYPE_CHECKING:
    from ..state.coil_look import CoilLook

#: Where to go from here, and its action; the last one acts on nothing.
WAYS = (
    ("e  write the report", "report"),
    ("x  write the data package", "package"),
    ("w  weigh the next sample", "next_sample"),
    ("3  all figures and warnings", "all_figures"),
)


#: What there is only of a sample.
OF_A_SAMPLE = ("package", "all_figures")


class FinishCard(Vertical):
    """The main figures as soon as they are known; until then how far their computation is."""

    def __init__(self, only_watches: bool = False) -> None:
        super().__init__()
        self._ways = WAYS[-1:] if only_watches else WAYS

    def compose(self) -> ComposeResult:
        yield Lines(id="finished-figures")
        for words, action in self._ways:
            way = Hints((words, action))
            way.set_class(action in OF_A_SAMPLE, "of-a-sample")
            yield way

    def show(self, run: Run, result: Any, stage: str, seconds: float) -> None:
        """The card of a run: ``result`` once it is there, else ``stage`` of its computation and for how long
        it has gone on; a ``stage`` without a time says why there is none."""
        text = Text()
        if result is None:
            text.append(stage or "computing the figures", style="bold")
            text.append(f"\n{duration(seconds)}" if stage.endswith("...") else "")
        elif run.get("coil", False):
            text = calibration_text(result)
        else:
            text = figures_text(run, result)
        self.query_one("#finished-figures", Lines).show(text)


def calibration_text(look: CoilLook) -> Text:
    """What the coil has found; with it the next sample's bench file is filled in."""
    text = Text()
    text.append("The bench, calibrated\n" if look.fitted else "", style="bold")
    text.append("\n".join(look.lines))
    if look.fitted:
        text.append("\nThe report brings a bench file\nwith it; the form has it too.", style="dim")
    return text


def figures_text(run: Run, result: Any) -> Text:
    """The main figures, a line each, then how many readings and warnings they rest on."""
    text = Text()
    for key in MAIN if not hasattr(result, "gives") else result.figures:
        if key in result.figures:
            figure = result.figures[key]
            known = figure.status != "not determined"
            unit = f" {name_of(key).unit()}" if known else " not determined"
            text.append(f"{symbol_of(key):<9}")
            text.append(short_cell(key, figure) if known else "", style="bold")
            text.append(f"{unit}\n", style="" if known else "dim")
    readings = sum(point["kind"] == "point" for point in run["points"])
    text.append(f"{result.used} of {readings} readings used", style="dim")
    if result.warnings:
        count = len(result.warnings)
        text.append(f"\n! {count} warning{'s' * (count != 1)}: see 3", style="bold")
    return text
