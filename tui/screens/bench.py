"""The bench: devices and their states, the bench file's faults, what to check before the first run."""

from __future__ import annotations

import asyncio
from typing import Final

from rich.console import Group
from rich.table import Table
from rich.text import Text
from textual import work
from textual.app import ComposeResult
from textual.containers import Horizontal, VerticalScroll
from textual.widgets import Static

from ...daemon.protocol import Device
from ..format import DEVICE_SIGNS, duration, telemetry_words
from ..keys import bindings
from ..state.compute import bench_faults
from ..state.snapshot import LiveSnapshot
from ..widgets.listing import listing
from .dialogs import AskYesNo
from .view import View

#: What only a person can check; common practice of weighing rooms, no source.
BY_HAND: Final = (
    "The balance is level, has been on for an hour, and stands away from draughts and doors.",
    "Weigh magnet and riser, then on a riser 5 cm higher: the reading must not change.",
    "Sample, rest and spacers are free of iron; so are tweezers, screws and the table's top.",
    "A known weight reads right to the last digit but one.",
    "Sample and magnet stand on one axis, faces parallel.",
    "With a lift: press its stop switch once; it must stop at once.",
    "With spacers: all of one batch, faces clean, none chipped.",
)

#: More refused lines than this, as a part of all, is not a plug being put in (common practice, no source).
MOST_REFUSED = 0.01


class BenchView(View):
    """Three blocks: devices, bench file, checks."""

    PLACE = "bench"
    BINDINGS = bindings("bench")

    def __init__(self) -> None:
        super().__init__()
        self._text: str | None = None
        self._faults: list[str] | None = None

    def body(self) -> ComposeResult:
        with Horizontal(id="bench-blocks"):
            with VerticalScroll(id="bench-left"):
                yield Static(id="devices", markup=False)
                yield Static(id="bench-file", markup=False)
            with VerticalScroll(id="bench-right"):
                yield Static(id="checks", markup=False)

    def changed(self, what: str) -> None:
        if what in ("all", "device", "clock", "link"):
            self.query_one("#devices", Static).update(devices_list(self.snapshot))
        if what in ("all", "run", "device"):
            self._judge()
            self._show_checks()

    def _show_checks(self) -> None:
        self.query_one("#checks", Static).update(checks_list(self.snapshot, self._faults))

    @work(exclusive=True, group="bench-file")
    async def _judge(self) -> None:
        """Judge the bench file that holds again when it is another one."""
        text = self.snapshot.bench_text
        if text == self._text:
            return
        self._text = text
        block = self.query_one("#bench-file", Static)
        if not text:
            self._faults = None
            block.update(
                Text("\nbench file\n", style="bold")
                + Text("none yet" + "; w writes one" * (not self.snapshot.only_watches), style="not bold")
            )
            return
        block.update(file_list(text, None))
        self._faults = await asyncio.to_thread(bench_faults, text)
        block.update(file_list(text, self._faults))
        self._show_checks()

    @work
    async def action_rezero(self) -> None:
        await ask_rezero(self)

    def action_cautions(self) -> None:
        """Show the cautions again."""
        from .safety import Cautions

        self.app.push_screen(Cautions())

    @work(exclusive=True, group="refresh")
    async def action_refresh(self) -> None:
        """Ask for the whole picture again."""
        await self.owner.ask_again()


async def ask_rezero(view: View) -> None:
    """Re-zero after asking: the sample must be off, and a run's own zeros are disturbed by it."""
    question = "Send the balance its re-zero command? The sample must be away from it."
    if await view.app.push_screen_wait(AskYesNo(question, "re-zero", "not now")):
        await view.owner.act("balance.rezero")


def _device_rows(name: str, device: Device | None, later: float) -> list[tuple[str, str]]:
    if device is None:
        return [("○", f"{name}: none")]
    rows = [
        (DEVICE_SIGNS.get(device["state"], "?"), f"{name} {device['state']}, {device['port'] or 'no port'}")
    ]
    if device["why"]:
        rows.append(("", device["why"]))
    age = device["age_s"]
    heard = "never heard" if age is None else f"heard {duration(age + later)} ago"
    rows.append(("", f"{heard}, {device['refused']} of {device['lines']} lines not understood"))
    if (delay := device.get("delay_s")) is not None:
        rows.append(("", f"shows a move after {delay:.1f} s (at most 2 s may be)"))
    if measured := telemetry_words(device):
        rows.append(("", ", ".join(measured)))
    return rows


def devices_list(snapshot: LiveSnapshot) -> Table:
    """Link, balance and lift."""
    if not snapshot.linked:
        return listing([("×", f"daemon: {snapshot.why}")], "devices")
    later = snapshot.devices_later()
    rows = [
        ("●", "daemon linked"),
        ("", f"in control: {snapshot.controller or 'nobody'}"),
        *_device_rows("balance", snapshot.balance, later),
        *_device_rows("lift", snapshot.lift, later),
    ]
    return listing(rows, "devices")


def file_list(text: str, faults: list[str] | None) -> Group:
    """The bench file's faults (None: not looked for yet), each on its own, and then the file."""
    found = [("◌", "being read ...")]
    if faults is not None:
        found = [("!", fault) for fault in faults] or [("✓", "no faults")]
    return Group("", listing(found, "bench file"), Text("\n" + text.strip(), style="dim"))


def checks_list(snapshot: LiveSnapshot, faults: list[str] | None) -> Group:
    """What the screen can check, with its result, then what only a person can."""
    balance, lift = snapshot.balance, snapshot.lift
    found: list[tuple[bool | None, str]] = [
        (snapshot.linked, "the daemon answers"),
        (balance is not None and balance["state"] == "ready", "the balance is heard"),
    ]
    if balance is not None and balance["lines"]:
        share = balance["refused"] / balance["lines"]
        good = share < MOST_REFUSED
        refused = "" if good else f" ({100 * share:.0f} % are not)"
        found.append((good, f"its lines are understood{refused}"))
    if lift is not None:
        found.append((lift["state"] == "ready", "the lift answers"))
    found.append((None if faults is None else not faults, "the bench file has no faults"))
    signs = {True: "✓", False: "!", None: "·"}
    return Group(
        listing([(signs[good], words) for good, words in found], "before the first run"),
        "",
        listing([("□", words) for words in BY_HAND], "by hand"),
    )
