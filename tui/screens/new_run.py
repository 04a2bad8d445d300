"""A new run: a short form with what the run would be like, and the bench file written for the user."""

from __future__ import annotations

import asyncio
from collections.abc import Sequence
from pathlib import Path
from typing import Any, ClassVar, cast

from textual import on, work
from textual.app import ComposeResult
from textual.binding import Binding, BindingType
from textual.containers import Horizontal, Vertical, VerticalScroll
from textual.events import DescendantFocus
from textual.screen import ModalScreen
from textual.timer import Timer
from textual.widgets import Input, Select, Static, TabbedContent, TabPane

from ...daemon.protocol import Run
from ..bench_costs import Cost
from ..bench_form import PAGES, Field, bench_text, holds, next_name, values_of, write_bench
from ..plan_words import cost_line, cost_words, outlook_words, series_words
from ..run_form import (
    GAPS,
    LIST_FIELDS,
    PROGRAMMES,
    RUN_FIELDS,
    ends_of,
    entry_of,
    entry_words,
    loops_of,
    plan_of,
)
from ..state.compute import NotYet
from ..state.compute_process import bench_costs, bench_sketch, coil_look
from ..state.follower import CallRefused, FeedLost
from ..state.snapshot import weighs_coil
from ..widgets.entry import Entry
from ..widgets.key_bar import Hints
from .dialogs import AskText
from .view import BREAK_COLUMNS, BREAK_ROWS, Owner

#: A pause in typing after which the plan is asked for, s.
QUIET_S = 0.6


class FormLine(Horizontal):
    """A label, the field, and a hint."""

    def __init__(self, field: Field, value: str) -> None:
        super().__init__()
        self.field, self.value = field, value

    def compose(self) -> ComposeResult:
        yield Static(self.field.label, classes="label")
        if self.field.choices:
            value = self.value if self.value in self.field.choices else self.field.choices[0]
            yield Select(
                [(choice, choice) for choice in self.field.choices],
                value=value,
                allow_blank=False,
                compact=True,
                name=self.field.key,
            )
        else:
            yield Entry(self.value, compact=True, name=self.field.key)
        yield Static(self.field.hint, classes="hint", markup=False)


class FormPage(TabPane):
    """A page of the form. Its lines are put up when it is first shown: those of all pages take their time."""

    def __init__(self, title: str, fields: Sequence[Field]) -> None:
        super().__init__(title)
        self.fields = fields


class NewRun(ModalScreen[int | None]):
    """The form; gives the new run's number, or None."""

    HORIZONTAL_BREAKPOINTS: list[tuple[int, str]] | None = BREAK_COLUMNS
    VERTICAL_BREAKPOINTS: list[tuple[int, str]] | None = BREAK_ROWS
    BINDINGS: ClassVar[list[BindingType]] = [
        Binding("ctrl+s", "start", "Start the run", priority=True),
        Binding("ctrl+n", "then_another", "Then another run", priority=True),
        Binding("ctrl+b", "take_back", "The run before", priority=True),
        Binding("ctrl+o", "open_file", "Open a bench file", priority=True),
        Binding("pagedown", "page(1)", "Next page", priority=True),
        Binding("pageup", "page(-1)", "Page before", priority=True),
        Binding("escape", "leave", "Back"),
    ]

    def __init__(self, base: str = "", values: dict[str, str] | None = None) -> None:
        """``base``: an earlier bench file, whose values are taken over; ``values`` go before them."""
        super().__init__()
        self.base = base
        self.values = values_of(base) | (values or {})
        for field in (*RUN_FIELDS, *LIST_FIELDS):
            self.values[field.key] = field.default
        #: The runs to be done before the one that stands in the form, each with its bench file.
        self._listed: list[tuple[dict[str, str], str]] = []
        self._costs: list[Cost] = []
        self._timer: Timer | None = None
        self._fault = ""  # the message whose fields are marked

    @property
    def owner(self) -> Owner:
        """The app, as views know it."""
        return cast("Owner", self.app)

    def compose(self) -> ComposeResult:
        with Vertical(classes="card form"):
            with VerticalScroll(can_focus=False):
                with TabbedContent():
                    pages = {**PAGES, "Sample": (*PAGES["Sample"], *RUN_FIELDS), "List, zeros": LIST_FIELDS}
                    for title, fields in pages.items():
                        yield FormPage(title, fields)
                yield Static(id="listed", markup=False)
                yield Static(id="outlook", markup=False)
                yield Static(id="cost", markup=False)
                yield Static(id="plan-warnings", markup=False)
                yield Static(id="bench-sketch", markup=False)
            yield Hints(
                ("^S start", "start"),
                ("^N then another", "then_another"),
                ("^O bench file", "open_file"),
                ("PgDn next page", "page(1)"),
                ("Esc back", "leave"),
            )

    async def on_mount(self) -> None:
        await self._put_up(self.query(FormPage).first())
        self.query(Input).first().focus()
        self._plan()  # at once: the daemon loads what it plans with while the form is read

    @on(TabbedContent.TabActivated)
    async def shown(self, event: TabbedContent.TabActivated) -> None:
        """A page by its name."""
        await self._put_up(cast("FormPage", event.pane))

    async def _put_up(self, page: FormPage) -> None:
        """Put the lines of a page up, unless they stand."""
        if not page.children:
            await page.mount_all(FormLine(field, self.values[field.key]) for field in page.fields)
            self._show_fields()
            self._mark(self._fault)

    @on(Input.Changed)
    @on(Select.Changed)
    def changed(self, event: Input.Changed | Select.Changed) -> None:
        """Take the value over and look ahead once the typing pauses."""
        control = event.control
        if control is None or control.name is None or self.values.get(control.name) == str(event.value):
            return
        usual = GAPS[self.values["run.weighs"]]
        self.values[control.name] = str(event.value)
        if control.name == "run.weighs" and self.values["run.points"].strip() == usual:
            for entry in self.query(Entry):
                if entry.name == "run.points":
                    entry.value = GAPS[self.values["run.weighs"]]
        self._show_fields()
        self._plan_soon()

    def _show_fields(self) -> None:
        for line in self.query(FormLine):
            line.display = holds(line.field, self.values)

    def _plan_soon(self) -> None:
        if self._timer is not None:
            self._timer.stop()
        self._timer = self.set_timer(QUIET_S, self._plan)

    def text(self) -> str:
        """The bench file as the form stands."""
        return bench_text(self.values, self.base)

    @work(exclusive=True, group="plan")
    async def _plan(self) -> None:
        outlook = self.query_one("#outlook", Static)
        try:
            entry_of(self.values, "")  # whatever is wrong is said while it is typed
            ends_of(self.values)
            text, asked = self.text(), plan_of(self.values)  # as they stand now: one types on meanwhile
            plan = await self.owner.feed.call("run.plan", bench_text=text, **asked)
        except (ValueError, CallRefused, FeedLost) as error:
            outlook.set_class(True, "fault")
            outlook.update(f"! {error}")
            self.query_one("#plan-warnings").display = False
            self._mark(str(error))
            return
        self._mark("")
        outlook.set_class(False, "fault")
        outlook.update(series_words(plan, loops_of(self.values)) + outlook_words(plan))
        warnings = self.query_one("#plan-warnings", Static)
        warnings.update("\n".join(f"! {warning}" for warning in plan.get("warnings", [])))
        warnings.display = bool(plan.get("warnings"))
        self._see_bench(text, asked)

    @work(exclusive=True, group="bench")
    async def _see_bench(self, text: str, plan: dict[str, Any]) -> None:
        """The bench as it was planned with, then what its uncertainties cost, which takes some seconds."""
        block = self.query_one("#bench-sketch", Static)
        drawn, self._costs = "", []
        try:
            drawn = await asyncio.to_thread(bench_sketch, text)
            block.update(f"{drawn}\nwhat the uncertainties cost: computing ...")
            self._costs = await asyncio.to_thread(bench_costs, text, plan)
        except NotYet as why:
            block.update(f"{drawn}\n{why}")
            return
        block.update(f"{drawn}\n{cost_words(self._costs)}")
        self._show_cost()

    @on(DescendantFocus)
    def _show_cost(self) -> None:
        """What the uncertainties cost, and what part of it the field in focus has."""
        here = self.focused.name if self.focused is not None else None
        for line in self.query("#cost").results(Static):  # none once the form closes
            line.update(cost_line(self._costs, here or ""))

    def _mark(self, error: str) -> None:
        """Mark the fields that a message names, and no others; each says what is wrong with it."""
        self._fault = error
        for line in self.query(FormLine):
            by = line.field.label if error.startswith(f"{line.field.label}: ") else line.field.key
            _, named, fault = error.partition(f"{by}: ")
            line.set_class(bool(named), "fault")
            line.query_one(".hint", Static).update(
                fault.partition("\n")[0] if named else self._hint(line.field)
            )

    def _hint(self, field: Field) -> str:
        return PROGRAMMES[self.values[field.key]] if field.key == "run.programme" else field.hint

    @work(exclusive=True, group="start")
    async def action_start(self) -> None:
        """Write the bench file and start the run with it."""
        try:
            entries = [entry_of(*one) for one in (*self._listed, (self.values, self.text()))]
            ends = ends_of(self.values)
        except ValueError as error:
            self._mark(str(error))
            self.notify(str(error), severity="warning", markup=False)
            return
        for values, text in self._listed:
            write_bench(text, values["sample.name"])
        path = write_bench(self.text(), self.values["sample.name"])
        asked = {"runs": entries} if len(entries) > 1 else entries[0]
        number = await self.owner.act("run.start", **asked, **ends)
        if number is not None:
            self.owner.notify(f"Bench file kept as {path}", markup=False)
            self.dismiss(int(number))

    @work(exclusive=True, group="open-file")
    async def action_open_file(self) -> None:
        """Fill the form in from a bench file."""
        path = await self.app.push_screen_wait(AskText("Path of the bench file:", does="open it"))
        if path is None:
            return
        try:
            text = Path(path).expanduser().read_text(encoding="utf-8-sig")
        except (OSError, UnicodeDecodeError) as error:
            self.notify(f"{path} cannot be read: {error}", severity="warning", markup=False)
            return
        self.base = text
        self._fill(values_of(text))

    def _fill(self, values: dict[str, str]) -> None:
        """Other values into the form."""
        self.values |= values
        for control in (*self.query(Input), *self.query(Select)):
            control.value = self.values[control.name or ""]
        self._show_fields()
        self._plan_soon()

    def action_then_another(self) -> None:
        """Put the run that stands in the form on the list; the form goes on with the one after it."""
        try:
            entry_of(self.values, self.text())
        except ValueError as error:
            self._mark(str(error))
            self.notify(str(error), severity="warning", markup=False)
            return
        self._listed.append((dict(self.values), self.text()))
        self._show_list()

    def action_take_back(self) -> None:
        """The last run of the list into the form again, in place of what stands there."""
        if self._listed:
            values, self.base = self._listed.pop()
            self._fill(values)
            self._show_list()

    def _show_list(self) -> None:
        """The runs of the list, in order; the form has the last one."""
        listed = [f"{k}  {entry_words(values)}" for k, (values, _) in enumerate(self._listed, 1)]
        last = f"{len(listed) + 1}  the run in this form   ^B: back to the one before"
        block = self.query_one("#listed", Static)
        block.display = bool(listed)
        block.update("\n".join((*listed, last)))

    async def action_page(self, onward: int) -> None:
        """To the next page of the form or the one before, and to its first field."""
        content, pages = self.query_one(TabbedContent), list(self.query(FormPage))
        shown = next(k for k, page in enumerate(pages) if page.id == content.active)
        page = pages[(shown + onward) % len(pages)]
        await self._put_up(page)
        content.active = page.id or ""
        line = next(line for line in page.query(FormLine) if line.display)
        line.query("Input, Select").first().focus()

    def action_leave(self) -> None:
        self.dismiss(None)


async def earlier_bench(app: Owner) -> tuple[str, dict[str, str]]:
    """What the form begins with: the bench of the run before, else of the newest in the store.

    The next sample of the series is named. Without any run: the bench file the daemon was started
    with, else the ports that are open.
    """
    run = app.snapshot.run
    try:
        if run is None and not app.snapshot.started_with:
            lines = await app.feed.call("runs.list")
            if lines:
                run = await app.feed.call("runs.get", run=max(line["id"] for line in lines))
    except (CallRefused, FeedLost):
        run = None
    if run is not None and weighs_coil(run):
        return await asyncio.to_thread(_calibrated, run), {}
    if run is not None:
        text = run["bench_text"]
        return text, {"sample.name": next_name(values_of(text)["sample.name"])}
    if app.snapshot.started_with:
        return app.snapshot.started_with, {}
    ports = {}
    if app.snapshot.balance is not None:
        ports["balance.port"] = app.snapshot.balance["port"]
        ports["gap.ladder"] = "spacers" if app.snapshot.lift is None else "lift"
    if app.snapshot.lift is not None:
        ports["lift.port"] = app.snapshot.lift["port"]
    return "", ports


def _calibrated(run: Run) -> str:
    """The bench file as the coil's run has calibrated it, or as it was."""
    try:
        return coil_look(run).calibrated or run["bench_text"]
    except NotYet:
        return run["bench_text"]
