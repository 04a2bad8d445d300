"""Whoever is away from the bench is called: by the terminal's bell and its own notification."""

from __future__ import annotations

from typing import Any

import pytest

import tests.support.screen.scripted_daemon as S
from tests.support.screen.screen_driver import stage
from weighloop.tui.app import WeighloopApp

ASKS = S.action("question", "11 spacers look like 13. How many are there?", True, ["11", "13"])


async def test_the_bell_rings_once_for_each_call(monkeypatch: pytest.MonkeyPatch) -> None:
    """Held, a question, the end: each once, however often it is said again; a run that goes on: never."""
    rung: list[str] = []
    called: list[str] = []
    monkeypatch.setattr(WeighloopApp, "bell", lambda self: rung.append(""))
    monkeypatch.setattr(WeighloopApp, "is_headless", False)
    async with stage(S.snapshot(S.run_at(12), S.live_at(100.0))) as st:
        monkeypatch.setattr(st.app._driver, "write", called.append)
        told: list[tuple[Any, str, int]] = [
            (S.run_at(13), "step 14 of 60", 0),
            (S.run_at(13, state="held", why="The stop button was pressed."), "HELD", 1),
            (S.run_at(13, state="held", why="The stop button was pressed. Twice."), "Twice", 1),
            (S.run_at(14), "step 15 of 60", 1),
            (S.run_at(14, action=ASKS), "QUESTION", 2),
            (S.run_at(1000, state="finished"), "FINISHED", 3),
        ]
        for run, shown, times in told:
            st.feed.say("run", run)
            await st.until(lambda shown=shown: shown in st.text())
            await st.pilot.pause()
            assert len(rung) == times, shown
        notified = [text for text in called if text.startswith("\x1b]9;")]
        assert [text.rpartition(": ")[2].rstrip("\x07") for text in notified] == [
            "held",
            "a question",
            "finished",
        ]


async def test_nobody_is_called_by_the_state_found_at_the_start(monkeypatch: pytest.MonkeyPatch) -> None:
    rung: list[str] = []
    monkeypatch.setattr(WeighloopApp, "bell", lambda self: rung.append(""))
    async with stage(S.snapshot(S.run_at(12, state="held", why="tea"))) as st:
        assert "HELD" in st.text()
        assert rung == []
