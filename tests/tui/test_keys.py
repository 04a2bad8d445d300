"""Every action of every view: by each of its keys, by a click on the key row, by a click on the help page."""

from __future__ import annotations

from collections.abc import AsyncIterator, Callable
from contextlib import asynccontextmanager
from typing import Any

import pytest
from textual import events

import tests.support.screen.scripted_daemon as S
from tests.support.screen.screen_driver import Stage, click, stage
from tests.support.screen.scripted_results import finished, result
from weighloop.tui.app import WeighloopApp
from weighloop.tui.keys import KEYS, Key, offered
from weighloop.tui.screens import figures as figures_view
from weighloop.tui.screens import view as view_module
from weighloop.tui.state import snapshot
from weighloop.tui.widgets.key_bar import SHORT

PLACES = tuple(place for place in KEYS if place != "everywhere")


@pytest.fixture(autouse=True)
def scripted_analysis(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(figures_view, "analyse_run", result)


def bench() -> S.ScriptedFeed:
    feed = S.ScriptedFeed(S.snapshot(S.run_at(38), S.live_at(100.0)))
    feed.answers["runs.list"] = [S.run_line(k, f"WP-07-{k}") for k in (3, 12)]
    feed.answers["runs.get"] = lambda run: finished(run)
    return feed


def listen(st: Stage, keys: tuple[Key, ...], monkeypatch: pytest.MonkeyPatch) -> list[str]:
    """Instead of doing what the keys say, note which action was asked for."""
    asked: list[str] = []

    def noting(name: str) -> Callable[..., None]:
        def note(self: Any, *params: Any) -> None:
            asked.append(f"{name}({', '.join(map(repr, params))})" if params else name)

        return note

    for key in keys:
        name = key.action.partition("(")[0]
        owner = type(st.app.screen) if hasattr(st.app.screen, f"action_{name}") else WeighloopApp
        monkeypatch.setattr(owner, f"action_{name}", noting(name))
    return asked


#: Every situation in which a key does something, at once.
ALL = {word for keys in KEYS.values() for key in keys for word in key.when}


@asynccontextmanager
async def listening(
    place: str, keys: tuple[Key, ...], monkeypatch: pytest.MonkeyPatch, size: tuple[int, int] = (80, 24)
) -> AsyncIterator[tuple[Stage, list[str]]]:
    """A view of the scripted bench that offers every key and notes what it is asked for."""
    monkeypatch.setattr(snapshot, "situation", lambda run: ALL)
    async with stage(feed=bench(), size=size) as st:
        await go_to(st, place)
        yield st, listen(st, keys, monkeypatch)


async def go_to(st: Stage, place: str) -> None:
    await st.app.action_view(place)
    await st.still()
    if place == "runs":
        await st.until(lambda: "WP-07-12" in st.text())
    if place == "figures":
        await st.until(lambda: "remanence" in st.text())


def place_of_key(st: Stage, key: Key) -> tuple[int, int]:
    """Column and line of a key's word on the key row, which is the lowest line or lines."""
    words = f"{SHORT.get(key.keys.partition(',')[0], key.keys.partition(',')[0])} {key.word}"
    lines = st.text().splitlines()
    line = next(k for k in range(len(lines) - 1, len(lines) - 4, -1) if f" {words} " in f"{lines[k]} ")
    return f"{lines[line]} ".index(f" {words} ") + 2, line


@pytest.mark.costly
@pytest.mark.parametrize("place", PLACES)
async def test_every_key_and_every_word_of_the_key_row_does_what_it_says(
    place: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    keys = (*KEYS[place], *KEYS["everywhere"])
    on_row = [key for key in keys if key.on_row]
    assert len(on_row) >= 6
    async with listening(place, keys, monkeypatch) as (st, asked):
        for key in keys:
            for name in key.keys.split(","):
                asked.clear()
                await st.press(name)
                await st.until(lambda: asked)
                assert asked == [key.action], name

        for key in on_row:
            asked.clear()
            await st.pilot.click(offset=place_of_key(st, key))
            await st.until(lambda: asked)
            assert asked == [key.action]


@pytest.mark.parametrize("place", PLACES)
@pytest.mark.slow
async def test_every_line_of_the_help_page_takes_a_click(place: str, monkeypatch: pytest.MonkeyPatch) -> None:
    keys = tuple(key for key in (*KEYS[place], *KEYS["everywhere"]) if key.action != "help")
    async with listening(place, keys, monkeypatch, (120, 60)) as (st, asked):
        for key in keys:
            asked.clear()
            await st.press("question_mark")
            await st.until(lambda key=key: key.sentence[:40] in st.text())
            await click(st, key.sentence[:40])
            await st.until(lambda: asked)
            # The list of runs is read again whenever its view comes to the front.
            assert set(asked) - {"refresh"} == {key.action} - {"refresh"}
            assert key.action in asked


@pytest.mark.costly
async def test_the_keys_are_shown_in_a_terminal_without_the_focus() -> None:
    """A terminal says when it has lost the focus; who looks at it from afar still sees the keys."""
    async with stage(feed=bench()) as st:
        st.app.post_message(events.AppBlur())
        await st.pilot.pause()
        for place in PLACES:
            await go_to(st, place)
            view = st.app.screen
            assert isinstance(view, view_module.View)
            for key in KEYS[place]:
                if key.on_row and offered(key, view.situation()):
                    place_of_key(st, key)


async def test_the_views_names_take_a_click() -> None:
    async with stage(feed=bench()) as st:
        for name, place in (
            ("5 Bench", "bench"),
            ("4 Runs", "runs"),
            ("3 Figures", "figures"),
            ("1 Run", "run"),
        ):
            await click(st, name)
            await st.until(lambda place=place: st.app.current_mode == place)


@pytest.mark.costly
async def test_cards_are_worked_by_the_mouse_alone() -> None:
    async with stage(feed=bench()) as st:
        await click(st, "Note")
        await st.until(lambda: "A note for the run's log" in st.text())
        await st.press(*"lid")
        await click(st, "Enter: write it")
        await st.until(lambda: st.feed.asked("run.note"))
        assert st.feed.asked("run.note") == [{"text": "lid"}]
        await click(st, "Aside")
        await st.until(lambda: "Which reading?" in st.text())
        await click(st, "Esc: back")
        await st.until(lambda: len(st.app.screen_stack) == 1)
        await click(st, "Stop")
        await st.until(lambda: "Stop this run for good?" in st.text())
        await click(st, "n  not now")
        await st.until(lambda: len(st.app.screen_stack) == 1)
        assert st.feed.asked("run.stop") == []
        await click(st, "5 Bench")
        await st.until(lambda: "before the first run" in st.text())
        await click(st, "Cautions")
        await st.until(lambda: "Before you begin" in st.text())
        await st.pilot.click("Cautions Button")
        await st.until(lambda: len(st.app.screen_stack) == 1)
