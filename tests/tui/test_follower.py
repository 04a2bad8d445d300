"""The link to the daemon: lost, found again, and never trusted to be whole."""

from __future__ import annotations

import asyncio
import json
from pathlib import Path
from typing import Any

import pytest

import tests.support.screen.scripted_daemon as S
from tests.support.screen.screen_driver import stage
from weighloop.daemon.protocol import ERROR_NOT_IN_CONTROL, PROTOCOL_VERSION
from weighloop.tui.state.follower import CallRefused, FeedLost, Follower, SocketFeed
from weighloop.tui.state.snapshot import LiveSnapshot


@pytest.fixture(autouse=True)
def impatient(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(Follower, "WAITS", (0.02, 0.02))


async def test_a_lost_link_is_shown_and_taken_up_again() -> None:
    async with stage() as st:
        st.feed.absent = True
        st.feed.lose("the daemon has closed the link")
        await st.until(lambda: not st.app.snapshot.linked)
        await st.until(lambda: "NO LINK" in st.text())
        assert "no daemon" in st.text()  # in the line on top
        assert "█" not in st.text()  # the digits of an old reading are gone
        st.feed.absent = False
        await st.until(lambda: st.app.snapshot.linked)
        await st.until(lambda: "HANDS OFF" in st.text())


async def test_no_daemon_at_the_start_says_how_to_start_one() -> None:
    feed = S.ScriptedFeed(S.snapshot(None))
    feed.absent = True
    async with stage(feed=feed) as st:
        await st.until(lambda: "NO LINK" in st.text())
        assert "weighloop daemon" in st.text()


async def test_what_was_missed_is_asked_for_again() -> None:
    async with stage() as st:
        st.feed.first = S.snapshot(S.run_at(30), S.live_at(100.0))
        st.feed.say("log", {"id": 9, "run": 12, "utc": "", "kind": "note", "text": "x"}, missed=3)
        await st.until(lambda: st.app.snapshot.run is not None and st.app.snapshot.run["steps_done"] == 30)


async def test_missed_live_readings_need_no_new_picture() -> None:
    async with stage() as st:
        st.feed.first = S.snapshot(S.run_at(30), S.live_at(100.0))
        st.feed.say("live", S.live_at(105.0), missed=40)
        await st.until(lambda: st.app.snapshot.trace[-1][0] == 105.0)
        assert st.app.snapshot.run is not None
        assert st.app.snapshot.run["steps_done"] == 17


class Daemon:
    """A few lines of JSON-RPC on a Unix socket, as the protocol says them."""

    def __init__(self) -> None:
        self.heard: list[dict[str, Any]] = []
        self.writer: asyncio.StreamWriter | None = None

    async def talk(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        self.writer = writer
        greeting = {"protocol": PROTOCOL_VERSION, "program": "0", "utc": "", "needs_token": False}
        self.say({"method": "greeting", "params": greeting})
        while line := await reader.readline():
            call = json.loads(line)
            self.heard.append(call)
            answer: dict[str, Any] = {"result": True}
            if call["method"] == "snapshot":
                answer = {"result": S.snapshot(S.run_at(5), S.live_at(1.0))}
            elif call["method"] == "run.hold":
                answer = {"error": {"code": ERROR_NOT_IN_CONTROL, "message": "room 2 has control"}}
            self.say({"id": call["id"], **answer})
            if call["method"] == "subscribe":
                event = {"seq": 1, "topic": "live", "missed": 0, "data": S.live_at(2.0)}
                self.say({"method": "event", "params": event})

    def say(self, message: dict[str, Any]) -> None:
        assert self.writer is not None
        self.writer.write(json.dumps({"jsonrpc": "2.0", **message}).encode() + b"\n")


async def test_the_real_feed_speaks_the_protocol(tmp_path: Path) -> None:
    place = str(tmp_path / "d.sock")
    feed = SocketFeed(place)
    with pytest.raises(FeedLost, match=r"d\.sock"):
        await feed.connect()
    daemon = Daemon()
    server = await asyncio.start_unix_server(daemon.talk, place)
    try:
        snapshot = LiveSnapshot()
        said: list[str] = []
        following = asyncio.create_task(Follower(feed, snapshot, said.append).follow())
        while not snapshot.trace or snapshot.trace[-1][0] != 2.0:
            await asyncio.sleep(0.01)
        with pytest.raises(CallRefused) as refused:
            await feed.call("run.hold", why="x")
        assert refused.value.not_in_control
        assert daemon.writer is not None
        daemon.writer.close()
        while "link" not in said:
            await asyncio.sleep(0.01)
        while not snapshot.linked:  # it came back by itself
            await asyncio.sleep(0.01)
        following.cancel()
        await asyncio.gather(following, return_exceptions=True)
        assert {"snapshot", "subscribe"} <= {call["method"] for call in daemon.heard}
        assert not any(call["method"].startswith("run.stop") for call in daemon.heard)
    finally:
        await feed.close()
        server.close()
