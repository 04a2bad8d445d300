"""What taps say stands on the screen, large, while there is something to choose, and only then."""

from __future__ import annotations

import re
from typing import Any

from textual.geometry import Size

import tests.support.scripted_daemon as S
from tests.support.screen_driver import stage
from weighloop.daemon.protocol import TapList
from weighloop.tui.widgets.big_digits import draw
from weighloop.tui.widgets.tap_menu import block

WORDS = ("hold the run", "read this gap once more", "set the last reading (17 spacers) aside", "write a note")
LIST = S.taps(*WORDS, "stop this run", title="What is it?")


def spacers_run(taps: TapList | None) -> Any:
    hint = "the balance notices; or tap the pan twice"
    act = S.action("set-spacers", "Set 17 spacers, the sample away.", True, spacers=17, hint=hint)
    return S.run_at(20, "spacers", action=act, by_taps=taps)


def shows(text: str, taps: TapList) -> bool:
    return all(word["text"] in text for word in taps["words"])


async def test_the_list_comes_with_three_taps_and_goes_again() -> None:
    async with stage(S.snapshot(spacers_run(S.taps("done", "something else")), S.live_at(100.0))) as st:
        assert "3 taps: something else" in st.text()
        assert "pull, g, against applied field" in st.text()
        st.feed.say("run", spacers_run({**S.taps("done", "something else"), "heard": 2}))
        await st.until(lambda: "WP-07-3   heard  ● ●\n" in st.text())
        st.feed.say("run", spacers_run(LIST))
        await st.until(lambda: shows(st.text(), LIST))
        text = st.text()
        assert "pull, g, against applied field" not in text
        assert "tap the pan twice" not in text  # twice is another word now
        assert "3 taps:" not in text
        assert "What is it?" in text
        for count in range(2, 7):  # the number as a figure, and as so many dots
            assert draw(str(count))[1] in text
            assert re.search(rf"  {' '.join('●' * count)}(?! ●)", text)
        assert "Set 17 spacers" in text  # what was asked for stays, and so does the reading
        assert "about 6 s more" in text
        for heard in (1, 2, 3):
            st.feed.say("run", spacers_run({**LIST, "heard": heard}))
            await st.until(lambda heard=heard: f"heard  {' '.join('●' * heard)}\n" in st.text())
        st.feed.say("run", spacers_run({**LIST, "unsure": True}))
        await st.until(lambda: "not clear how many: tap once more" in st.text())
        st.feed.say("run", spacers_run({**S.taps("done", "something else"), "unsure": True}))
        await st.until(lambda: "WP-07-3   not clear how many: tap once more" in st.text())
        st.feed.say("run", spacers_run(S.taps("done", "something else")))
        await st.until(lambda: "pull, g, against applied field" in st.text())
        assert not shows(st.text(), LIST)
        assert st.feed.calls == []  # to show it is all that is to be done


async def test_a_question_shows_its_answers_at_once_and_still_takes_a_key() -> None:
    ask = S.action("question", "Was it turned?", True, ["take as it is", "once more"])
    answers = S.taps("something else", "once more", "take as it is", first=3)
    run = S.run_at(20, "spacers", action=ask, by_taps=answers)
    async with stage(S.snapshot(run, S.live_at(100.0))) as st:
        assert shows(st.text(), answers)
        await st.press("enter", "enter")
        await st.until(lambda: st.feed.calls)
        assert st.feed.calls == [("run.confirm", {"choice": "once more", "code": "question"})]


async def test_who_taps_is_taken_to_the_list_from_any_view() -> None:
    async with stage(S.snapshot(spacers_run(None), S.live_at(100.0))) as st:
        for key in "2345":
            await st.press(key)
            await st.until(lambda: st.app.current_mode != "run")
            st.feed.say("run", spacers_run(S.taps("done", "something else")))
            await st.pilot.pause(0.05)
            assert st.app.current_mode != "run"
            st.feed.say("run", spacers_run(LIST))
            await st.until(lambda: st.app.current_mode == "run" and shows(st.text(), LIST))


async def test_without_taps_the_screen_is_as_it_was() -> None:
    run = spacers_run(None)
    del run["by_taps"]  # a daemon that does not know of them
    async with stage(S.snapshot(run, S.live_at(100.0))) as st:
        assert "taps" not in st.text()
        assert "pull, g, against applied field" in st.text()


def test_the_words_are_as_large_as_there_is_room_for_and_never_cut() -> None:
    text = "set the last reading (17 spacers) aside"
    for count in range(1, 7):
        words = S.taps(*(text,) * count)["words"]
        before = 99
        for height in range(40, count + 1, -1):
            lines = [line.plain for line in block(words, Size(45, height))]
            assert len(lines) + 2 <= height
            assert len(lines) <= before  # less room, smaller figures
            before = len(lines)
            assert max(map(len, lines)) <= 45  # as wide as in a terminal of 80 columns
            assert sum(text in line for line in lines) == count
    assert len(block(words, Size(60, 40))) == 6 * 6
