"""The top line: the five views, and the devices with their states."""

from __future__ import annotations

from rich.text import Text
from textual.app import ComposeResult
from textual.containers import Horizontal
from textual.widgets import Static

from ..format import device_line
from ..state.snapshot import LiveSnapshot
from .listing import Lines

VIEWS = (
    ("run", "1 Run"),
    ("steadiness", "2 Steady"),
    ("figures", "3 Figures"),
    ("runs", "4 Runs"),
    ("bench", "5 Bench"),
)


class ViewTab(Static):
    """One view's name; a click goes there."""

    ALLOW_SELECT = False

    def __init__(self, view: str, words: str, here: bool) -> None:
        super().__init__(f"[{words}]" if here else f" {words} ", markup=False, classes="here" if here else "")
        self.view = view

    async def on_click(self) -> None:
        await self.run_action(f"app.view('{self.view}')")


class DeviceStrip(Lines):
    """The link, the balance and the lift in a few words each."""

    def show_devices(self, snapshot: LiveSnapshot) -> None:
        """Say how the devices are."""
        if not snapshot.linked:
            self.show(Text("× no daemon", style="bold reverse"))
            return
        parts = [device_line("balance", snapshot.balance)]
        if snapshot.lift is not None:
            parts.append(device_line("lift", snapshot.lift))
        self.show(Text("  ".join(parts), no_wrap=True, overflow="ellipsis"))


class TopBar(Horizontal):
    """The line on top of every view."""

    def __init__(self, here: str) -> None:
        super().__init__()
        self.here = here

    def compose(self) -> ComposeResult:
        for view, words in VIEWS:
            yield ViewTab(view, words, view == self.here)
        yield DeviceStrip()

    def show(self, snapshot: LiveSnapshot) -> None:
        """Say how the devices are."""
        self.query_one(DeviceStrip).show_devices(snapshot)
