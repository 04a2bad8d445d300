"""The screen: five views on one daemon. Closing it never stops a run."""

from __future__ import annotations

import asyncio
import getpass
import os
import socket
import time
from collections.abc import Callable
from datetime import datetime
from importlib import import_module
from typing import Any, ClassVar

from textual import work
from textual.app import App
from textual.events import Event
from textual.screen import Screen
from textual.theme import Theme

from ..daemon.protocol import Run
from .key_queue import KeyQueue, Passed
from .keys import KEYS, bindings, offered
from .state import compute_process as compute_process
from .state.follower import CallRefused, Feed, FeedLost, Follower
from .state.messages import ActionDone, SnapshotChanged
from .state.snapshot import LiveSnapshot

# Own colours, chosen so that blue, ochre and the red of a fault stay apart for every kind of colour vision
# and all keep 4.5:1 against the ground (WCAG 2.1, 1.4.3).
DARK = Theme(
    name="workshop-dark",
    primary="#6fb4d6",
    secondary="#d9a441",
    accent="#d9a441",
    foreground="#e4e0d6",
    background="#15191d",
    surface="#1b2025",
    panel="#262d34",
    warning="#d9a441",
    error="#e08a5a",
    success="#6fb4d6",
    dark=True,
    variables={"footer-key-foreground": "#d9a441"},
)
LIGHT = Theme(
    name="workshop-light",
    primary="#1d5f80",
    secondary="#8a5200",
    accent="#8a5200",
    foreground="#20262b",
    background="#f8f5ee",
    surface="#f1ede3",
    panel="#e2dccd",
    warning="#8a5200",
    error="#701c1c",
    success="#1d5f80",
    dark=False,
    # Paler by the library's own choice: too faint for the axes and the log.
    variables={"footer-key-foreground": "#8a5200", "foreground-muted": "#575c60"},
)

#: Repaints of the live digits, at most, per second: what changes faster cannot be read.
LIVE_RATE = 4


def _view(module: str, name: str) -> Callable[[], Screen[Any]]:
    """A view that is imported when it is first looked at, so that the first paint is quick."""

    def make() -> Screen[Any]:
        return getattr(import_module(f".screens.{module}", __package__), name)()

    return make


def _commands(name: str) -> Callable[[], Any]:
    """What the command search offers, imported when it is first opened."""
    return lambda: getattr(import_module(".screens.commands", __package__), name)


class WeighloopApp(App[None]):
    """The app: holds the picture, runs the feed, and passes changes to the view in front."""

    TITLE = "Weighloop"
    CSS_PATH = "style.tcss"
    COMMAND_PALETTE_BINDING = "ctrl+p"
    COMMANDS: ClassVar[set[Any]] = {_commands("Commands"), _commands("Runs")}  # pyright: ignore[reportIncompatibleVariableOverride]
    BINDINGS = bindings("everywhere")
    MODES: ClassVar[dict[str, str | Callable[[], Screen[Any]]]] = {  # pyright: ignore[reportIncompatibleVariableOverride]
        "run": _view("run", "RunView"),
        "steadiness": _view("steadiness", "SteadinessView"),
        "figures": _view("figures", "FiguresView"),
        "runs": _view("runs", "RunsView"),
        "bench": _view("bench", "BenchView"),
    }
    DEFAULT_MODE = "run"

    def __init__(
        self,
        feed: Feed,
        cautions: bool | None = None,
        watch: bool = False,
        now: Callable[[], float] = time.monotonic,
        begin: tuple[str, Callable[[], object]] | None = None,
        wall: Callable[[], datetime] = datetime.now,
    ) -> None:
        """``cautions``: show them at the start; None: only when this user has not read them yet.

        ``watch``: nothing here acts on the bench or on files.
        ``now``: the clock by which readings grow old, s. ``begin``: on the bench twin, a line in place
        of the cautions and what is called once it is read, in a thread. ``wall``: the time of day here.
        """
        super().__init__()
        self.feed = feed
        self.show_cautions = cautions
        self.begin = begin
        self.wall = wall
        self.snapshot = LiveSnapshot(only_watches=watch, now=now)
        #: A run of the store that is looked at instead of the one on the bench.
        self.opened: Run | None = None
        self._beats = 0
        self._called: tuple[int, str, bool] | None = None
        self.follower = Follower(feed, self.snapshot, self._post)
        self._key_queue = KeyQueue(self)
        self.register_theme(DARK)
        self.register_theme(LIGHT)
        self.theme = LIGHT.name if light_terminal(os.environ) else DARK.name

    def on_mount(self) -> None:
        self.follow()
        self.run_worker(self._key_queue.hand_on(), group="typed")
        self.set_interval(1 / LIVE_RATE, self._beat)
        self.call_after_refresh(self.caution)

    async def on_event(self, event: Event) -> None:
        if not self._key_queue.keeps(event):
            await super().on_event(event)

    def on_passed(self, message: Passed) -> None:
        message.done.set()

    @work
    async def caution(self) -> None:
        """Show the cautions once to each user."""
        from .screens.safety import Cautions, TwinNotice, remember, were_read

        if self.begin is not None:
            words, begin = self.begin
            await self.push_screen_wait(TwinNotice(words))
            await asyncio.to_thread(begin)
            return
        if self.show_cautions or (self.show_cautions is None and not were_read()):
            await self.push_screen_wait(Cautions())
            if self.show_cautions is None:
                remember()

    def _post(self, what: str) -> None:
        self.post_message(SnapshotChanged(what))

    @work(exclusive=True, group="feed")
    async def follow(self) -> None:
        """The one worker that owns the feed."""
        await self.follower.follow()

    def _beat(self) -> None:
        """The live reading, and once a second the ages: in one beat, so that they are painted together."""
        self._beats += 1
        if self.follower.take_live():
            self._post("live")
        if self._beats % LIVE_RATE == 0:
            self._post("clock")

    def _call_for_somebody(self) -> None:
        """Ring, and tell the terminal, once when a run is held, asks a question or has finished."""
        run = self.snapshot.run
        asks = run is not None and run["action"]["code"] == "question"
        now = None if run is None else (run["id"], run["state"], asks)
        before, self._called = self._called, now
        if run is None or before is None or now == before:
            return
        if asks or run["state"] in ("held", "finished"):
            self.bell()
            said = "a question" if asks else run["state"]
            if self._driver is not None and not self.is_headless:
                self._driver.write(f"\x1b]9;Weighloop: run {run['id']}: {said}\x07")

    def on_snapshot_changed(self, message: SnapshotChanged) -> None:
        if message.what in ("run", "all"):
            self._call_for_somebody()
        self._tell(message.what)

    def _tell(self, what: str) -> None:
        from .screens.view import View

        view = self.screen_stack[0] if self.screen_stack else None
        if isinstance(view, View):
            view.show(what)

    async def act(self, method: str, **params: Any) -> Any:
        """Ask the daemon to do something; takes control where it is free, asks where it is not.

        Returns the daemon's answer, or None where it refused (the person sees why).
        """
        try:
            try:
                answer = await self.feed.call(method, **params)
            except CallRefused as error:
                if not error.not_in_control:
                    raise
                if self.snapshot.only_watches:
                    raise CallRefused(error.code, "This screen only watches.") from None
                if not await self._take_control():
                    raise CallRefused(error.code, "The other screen stays in control.") from None
                answer = await self.feed.call(method, **params)
        except (CallRefused, FeedLost) as error:
            self.notify(str(error), severity="warning", timeout=8, markup=False)
            self.post_message(ActionDone(method, str(error)))
            return None
        self.post_message(ActionDone(method))
        return answer

    async def _take_control(self) -> bool:
        from .screens.dialogs import AskYesNo

        me = f"{getpass.getuser()} at {socket.gethostname()}"
        try:
            await self.feed.call("control.take", name=me, force=False)
        except CallRefused as error:
            question = f"{error}\nTake over? Whoever that is can then only watch."
            if not await self.push_screen_wait(AskYesNo(question, "take over", "only watch")):
                return False
            await self.feed.call("control.take", name=me, force=True)
        return True

    async def action_view(self, name: str) -> None:
        """Go to one of the five views."""
        if len(self.screen_stack) > 1:  # something is being asked: answer it first
            return
        await self.switch_mode(name)

    def action_lightness(self) -> None:
        """Change between light and dark."""
        self.theme = DARK.name if self.theme == LIGHT.name else LIGHT.name
        self.call_after_refresh(self._tell, "all")

    def action_command_palette(self) -> None:
        """Search for whatever can be done."""
        from textual.command import CommandPalette

        if not any(isinstance(screen, CommandPalette) for screen in self.screen_stack):
            self.push_screen(CommandPalette(placeholder="what to do, a view, or a run of the store"))

    def check_action(self, action: str, parameters: tuple[object, ...]) -> bool | None:
        """Whether an action that holds everywhere does anything as things stand."""
        its = [key for key in KEYS["everywhere"] if key.action == action]
        return all(offered(key, self.snapshot.situation) for key in its)

    def action_new_run(self) -> None:
        """The short form for a new run, with the bench of the run before."""
        if len(self.screen_stack) > 1:
            return
        self.begin_run()

    @work(exclusive=True, group="new-run")
    async def begin_run(self) -> None:
        """Fill in the form and go to the run it starts."""
        from .screens.new_run import NewRun, earlier_bench

        number = await self.push_screen_wait(NewRun(*await earlier_bench(self)))
        if number is not None:
            self.opened = None
            await self.switch_mode("run")

    @work
    async def action_help(self) -> None:
        """Keys of this view, and how to use it; a click on one does what the key does."""
        from .screens.help import Help

        if len(self.screen_stack) == 1:
            action = await self.push_screen_wait(Help(self.current_mode, self.snapshot.only_watches))
            if action is not None:
                own = hasattr(self.screen, f"action_{action.partition('(')[0]}")
                await self.run_action(action, self.screen if own else self)

    async def ask_again(self) -> None:
        """Ask the daemon for the whole picture."""
        try:
            await self.follower.refresh()
        except (CallRefused, FeedLost) as error:
            self.notify(str(error), severity="warning", markup=False)

    async def on_unmount(self) -> None:
        compute_process.close()
        await self.feed.close()


def light_terminal(environment: Any) -> bool:
    """Whether the terminal says that its ground is light (``COLORFGBG``, set by several terminals)."""
    ground = environment.get("COLORFGBG", "").rpartition(";")[2]
    return ground in ("7", "15")


def run(
    socket_path: str | None, watch: bool = False, begin: tuple[str, Callable[[], object]] | None = None
) -> int:
    """Attach the screen to the daemon at ``socket_path`` (None: the usual place); gives the exit status.

    ``watch``: the screen can only watch; the daemon holds it to that. ``begin``: a line shown first and what
    is called once it is read (of a demo, whose run waits for it).
    """
    from .state.follower import SocketFeed

    app = WeighloopApp(SocketFeed(socket_path, watch), watch=watch, begin=begin)
    app.run()
    return app.return_code or 0
