"""A screen that only watches: the daemon refuses it every act, and no key is offered that acts."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from tests.support.daemon import Served
from tests.support.screen import scripted_daemon as scripted
from tests.support.screen.screen_driver import stage
from tests.support.screen.screens import held, spacers
from weighloop.daemon.protocol import METHODS
from weighloop.tui.keys import KEYS, offered
from weighloop.tui.screens.view import View
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


@pytest.mark.slow
@pytest.mark.parametrize(
    ("shown", "words"),
    [
        (lambda: scripted.snapshot(None), "Nothing is being weighed"),
        (held, "nothing heard"),
        (spacers, "Set 17 spacers"),
    ],
)
async def test_it_is_offered_no_key_that_acts(shown: Callable[[], Any], words: str) -> None:
    feed = scripted.ScriptedFeed(shown())
    feed.answers["runs.list"] = [scripted.run_line(k, f"WP-07-{k}") for k in range(1, 4)]
    acting = {key for keys in KEYS.values() for key in keys if key.acts}
    async with stage(feed=feed, watch=True, size=(120, 60)) as st:
        await st.until(lambda: words in st.text())
        for number, place in enumerate(("run", "steadiness", "figures", "runs", "bench"), start=1):
            await st.press(str(number))
            await st.until(lambda place=place: st.app.current_mode == place and "Leave" in st.text())
            assert "This screen only watches" in st.text()
            view = st.app.screen
            assert isinstance(view, View)
            for key in {*KEYS[place], *KEYS["everywhere"]} & acting:
                assert not offered(key, view.situation())
                for name in key.keys.split(","):
                    if name not in {
                        k for other in KEYS[place] if not other.acts for k in other.keys.split(",")
                    }:
                        await st.press(name)
            assert len(st.app.screen_stack) == 1
            await st.press("question_mark")
            await st.until(lambda: "Esc: back" in st.text())
            assert not [key for key in acting if key.sentence[:40] in st.text()]
            await st.press("escape")
    called = {method for method, _ in feed.calls}
    assert not {method for method in called if METHODS[method][3]}
