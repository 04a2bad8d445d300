"""Two to six runs over each other: the loops drawn together, their figures side by side."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any, ClassVar, Final

from textual import work
from textual.app import ComposeResult
from textual.binding import Binding, BindingType
from textual.screen import ModalScreen
from textual.widgets import DataTable, Static
from textual.worker import get_current_worker

from ...daemon.protocol import Run
from ..figure_words import MAIN, name_of, short_cell, symbol_of
from ..format import NONE
from ..state.compute import NotYet, differing, loop_points
from ..state.compute_process import analyse_run
from ..widgets.key_bar import KeyBar
from ..widgets.loop_plot import Dot, LoopPlot
from .view import BREAK_COLUMNS

#: Marker and colour of each run; the marker alone tells them apart.
MARKS: Final = (
    ("●", "primary"),
    ("□", "secondary"),
    ("▲", "foreground"),
    ("◇", "primary"),
    ("×", "secondary"),
    ("+", "foreground"),
)


class CompareScreen(ModalScreen[None]):
    """A whole screen in front of the list; Esc goes back."""

    HORIZONTAL_BREAKPOINTS: list[tuple[int, str]] | None = BREAK_COLUMNS
    BINDINGS: ClassVar[list[BindingType]] = [
        Binding("escape,q", "leave", "Back"),
        Binding("y", "copy", "Copy the table"),
    ]

    def __init__(self, runs: Sequence[Run]) -> None:
        super().__init__()
        self.runs = list(runs)
        self.results: list[Any] = []
        #: (row, figure) where a run differs from the first one marked.
        self.differ: set[tuple[int, str]] = set()
        self._loops: list[Any] = []

    def compose(self) -> ComposeResult:
        yield Static("comparing: computing ...", id="about", markup=False)
        yield LoopPlot()
        yield DataTable(cursor_type="row", zebra_stripes=False)
        yield Static(
            "≠ differs from the first run beyond the joint uncertainty (95 %)",
            classes="hint",
            markup=False,
        )
        symbols = ", ".join(f"{symbol_of(key)} {name_of(key).words}" for key in MAIN)
        yield Static(symbols, id="symbols", classes="hint", markup=False)
        yield KeyBar((("escape", "Back", "screen.leave"), ("y", "Copy the table", "screen.copy")))

    def on_mount(self) -> None:
        self.app.theme_changed_signal.subscribe(self, lambda _: self.call_after_refresh(self._draw))
        self._compute()

    def _draw(self) -> None:
        if self._loops:
            self.query_one(LoopPlot).draw_over(self._loops)

    @work(thread=True, exclusive=True, group="compare")
    def _compute(self) -> None:
        worker = get_current_worker()
        results: list[Any] = []
        for run in self.runs:
            try:
                result = analyse_run(run)
                if hasattr(result, "gives"):
                    raise NotYet(f"Run {run['id']} is no loop ({run.get('programme')}): see its figures, 3.")
                results.append(result)
            except NotYet as why:
                results.append(str(why))
            if worker.is_cancelled:
                return
        good = [k for k, result in enumerate(results) if not isinstance(result, str)]
        differ: set[tuple[int, str]] = set()
        if len(good) > 1 and good[0] == 0:
            differ = {(good[k], key) for k, key in differing([results[k] for k in good])}
        self.app.call_from_thread(self._take, results, differ)

    def _take(self, results: list[Any], differ: set[tuple[int, str]]) -> None:
        self.results, self.differ = results, differ
        loops = []
        for result, (marker, colour) in zip(results, MARKS, strict=False):
            if not isinstance(result, str):
                dots = [
                    Dot(p.H * 1e-3, p.M * 1e-3, 0.0, p.orientation, p.leg, not p.used)
                    for p in loop_points(result)
                ]
                loops.append((dots, marker, colour))
        self.query_one("#about", Static).update("M against internal field, both kA/m")
        self._loops = loops
        self._draw()
        table = self.query_one(DataTable)
        table.add_column("run")
        for key in MAIN:
            table.add_column(f"{symbol_of(key)} {name_of(key).unit()}".strip())
        for row in self._rows():
            table.add_row(*row)
        table.focus()

    def _rows(self) -> list[list[str]]:
        rows = []
        for k, (run, result, (marker, _)) in enumerate(zip(self.runs, self.results, MARKS, strict=False)):
            cells = [f"{marker} {run['id']} {run['sample']}"]
            for key in MAIN:
                cell = NONE if isinstance(result, str) else short_cell(key, result.figures.get(key))
                cells.append(f"{cell} ≠" if (k, key) in self.differ else cell)
            rows.append(cells)
        return rows

    def action_copy(self) -> None:
        """Copy the table, tab-separated."""
        self.app.copy_to_clipboard("\n".join("\t".join(row) for row in self._rows()).replace("−", "-"))
        self.notify("Copied the table.")

    def action_leave(self) -> None:
        self.dismiss(None)
