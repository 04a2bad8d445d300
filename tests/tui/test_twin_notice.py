"""On the bench twin a run waits until its one line has been read."""

from __future__ import annotations

import tests.support.screen.scripted_daemon as S
from weighloop.tui.app import WeighloopApp


async def test_the_run_begins_when_the_line_is_read() -> None:
    begun: list[str] = []
    app = WeighloopApp(
        S.ScriptedFeed(S.snapshot(None)),
        begin=("This is the bench twin.", lambda: begun.append("the run")),
    )
    async with app.run_test(size=(80, 24)) as pilot:
        while len(app.screen_stack) == 1:
            await pilot.pause()
        await pilot.pause(0.3)
        assert begun == []
        await pilot.press("enter")
        while not begun:
            await pilot.pause()
        assert begun == ["the run"]
        assert len(app.screen_stack) == 1  # the cautions of a real bench do not follow
