"""A screen that only watches: the daemon refuses it every act, and no form opens that would write files."""

from __future__ import annotations

from pathlib import Path

import pytest

from tests.support.daemon import Served
from tests.support.screen import scripted_daemon as scripted
from weighloop.daemon.protocol import METHODS
from weighloop.tui.app import WeighloopApp
from weighloop.tui.state.follower import CallRefused, SocketFeed


async def test_the_daemon_refuses_it_every_act(tmp_path: Path) -> None:
    with Served(tmp_path) as daemon:
        feed = SocketFeed(str(daemon.place), watch=True)
        await feed.connect()
        assert (await feed.call("snapshot"))["run"] is None
        for method, (_, _, _, acts) in METHODS.items():
            if acts or method == "control.take":
                with pytest.raises(CallRefused, match="only watches"):
                    await feed.call(method)
        await feed.close()


async def test_it_opens_no_form_that_would_write_a_file() -> None:
    feed = scripted.ScriptedFeed(scripted.snapshot(None))
    app = WeighloopApp(feed, cautions=False, watch=True)
    async with app.run_test(size=(100, 40)) as pilot:
        await pilot.pause()
        await pilot.press("w")  # a new run
        for _ in range(10):
            await pilot.pause(0.05)
        assert len(app.screen_stack) == 1
