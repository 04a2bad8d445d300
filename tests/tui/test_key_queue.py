"""Keys that come faster than what they open: as a bundle over a slow line, or from quick hands."""

from __future__ import annotations

import asyncio
from typing import Any

import pytest
from textual import events

import tests.support.screen.scripted_daemon as S
from tests.support.screen.screen_driver import Stage, stage
from weighloop.tui import key_queue as type_ahead
from weighloop.tui.screens.new_run import NewRun


class SlowFeed(S.ScriptedFeed):
    """A daemon at the far end of a slow line: nothing is answered at once."""

    LATE_S = 0.1

    async def call(self, method: str, **params: Any) -> Any:
        answer = await super().call(method, **params)
        await asyncio.sleep(self.LATE_S)
        return answer


def bench(run: Any = None) -> SlowFeed:
    return SlowFeed(S.snapshot(run, S.live_at(100.0)))


def bundle(st: Stage, *typed: str) -> None:
    """All at once, before the screen has drawn any of it; a word is typed letter by letter."""
    for word in typed:
        keys = [word] if word in ("enter", "down", "tab", "ctrl+s") else list(word)
        for key in keys:
            st.app.post_message(events.Key(key, key if len(key) == 1 else None))


async def test_a_note_is_a_note_whatever_its_letters_would_do_on_the_view_behind() -> None:
    """h would hold the run, r repeat the reading, s and y end it, q leave the screen."""
    async with stage(feed=bench(S.run_at(20))) as st:
        bundle(st, "n", "hrsyq", "enter")
        await st.until(lambda: st.feed.calls)
        assert st.feed.calls == [("run.note", {"text": "hrsyq"})]
        assert len(st.app.screen_stack) == 1


async def test_a_card_after_a_card_gets_its_own_keys() -> None:
    async with stage(feed=bench(S.run_at(20))) as st:
        newest_but_one = st.feed.first["run"]["points"][-2]["id"]
        bundle(st, "a", "down", "enter", "hg", "enter")
        await st.until(lambda: st.feed.calls)
        assert st.feed.calls == [("run.set_aside", {"point": newest_but_one, "why": "hg"})]


async def test_what_is_asked_of_a_slow_daemon_is_asked_in_order() -> None:
    async with stage(feed=bench(S.run_at(20))) as st:
        bundle(st, "h", "r", "s", "y", "n", "end", "enter")
        await st.until(lambda: len(st.feed.calls) == 4)
        assert [method for method, _ in st.feed.calls] == ["run.hold", "run.repeat", "run.stop", "run.note"]


@pytest.mark.costly
async def test_the_form_takes_the_keys_that_come_before_it() -> None:
    """It asks the daemon for the newest run first; "1" and "4" would go to other views, "?" ask for help."""
    feed = bench()
    feed.answers["run.plan"] = S.plan_answer()
    async with stage(feed=feed) as st:
        bundle(st, "w", "14?", "tab", "tab", "7 mm")
        await st.until(lambda: isinstance(st.app.screen, NewRun))
        form = st.app.screen
        assert isinstance(form, NewRun)
        await st.until(lambda: form.values["sample.diameter"] == "7 mm")
        assert form.values["sample.name"] == "14?"


@pytest.mark.costly
async def test_what_is_typed_behind_the_forms_start_goes_to_the_run() -> None:
    feed = bench()
    feed.answers["run.plan"] = S.plan_answer()

    def begin(**_: Any) -> int:
        feed.say("run", S.run_at(0))
        return 12

    feed.answers["run.start"] = begin
    async with stage(feed=feed) as st:
        bundle(st, "w", "ctrl+s", "n", "begun", "enter")
        await st.until(lambda: st.feed.asked("run.note"))
        asked = [method for method, _ in st.feed.calls if method in ("run.start", "run.note")]
        assert asked == ["run.start", "run.note"]
        assert st.feed.asked("run.note") == [{"text": "begun"}]


async def test_the_cautions_are_read_and_left_by_keys_that_are_there_before_them() -> None:
    async with stage(feed=bench(), cautions=True) as st:
        bundle(st, "enter", "5")
        await st.until(lambda: st.app.current_mode == "bench")


async def test_a_daemon_that_does_not_answer_does_not_hold_keys_for_ever(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.setattr(type_ahead, "PATIENCE_S", 0.3)
    async with stage(feed=bench(S.run_at(20))) as st:
        monkeypatch.setattr(st.feed, "LATE_S", 1e6)
        bundle(st, "h", "q")
        await st.until(lambda: st.app._exit)


async def test_the_gaps_may_be_typed_again_while_the_plan_is_answered() -> None:
    """An empty field is no number: that is said once it is planned with; the answer before stands."""
    async with stage(S.snapshot(None)) as st:

        def plan(**asked: Any) -> Any:
            form = st.app.screen
            assert isinstance(form, NewRun)
            form.values["run.points"] = ""
            return S.plan_answer()

        st.feed.answers["run.plan"] = plan
        await st.press("w")
        await st.until(lambda: "pull up to 118 g" in st.text())
        await st.still()
        assert isinstance(st.app.screen, NewRun)
