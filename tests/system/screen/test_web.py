"""The screen in a browser: only with a key, nothing from elsewhere, and it really opens."""

from __future__ import annotations

import asyncio
import contextlib
import os
import re
import shutil
import socket
import subprocess
import sys
import threading
import time
import urllib.error
import urllib.request
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import aiohttp
import pytest

from weighloop.daemon.server.client import Client
from weighloop.tui.web import page as web


def free_port() -> int:
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        return probe.getsockname()[1]


SERVE = """
import sys
from weighloop.tui.web.page import serve
serve([sys.executable, "-c", {screen!r}], {host!r}, {port}, act_from_afar={afar})
"""
SCREEN = """
import sys
from tests.support.screen import scripted_daemon as S
from weighloop.tui.app import WeighloopApp
feed = S.ScriptedFeed(S.snapshot(S.run_at(20), S.live_at(100.0)))
WeighloopApp(feed, cautions=False, watch="--watch" in sys.argv, now=lambda: 50.0).run()
"""
#: A screen that does not leave when it is asked to, and has started something itself.
STUBBORN = """
import subprocess, sys, time
print("__GANGLION__", flush=True)
subprocess.Popen([sys.executable, "-c", "import time; time.sleep(1000)  # {mark}"])
while True:
    time.sleep(1000)  # {mark}
"""


class Served:
    """A process that serves a page; the addresses it printed, by role."""

    def __init__(self, command: list[str], port: int, environment: dict[str, str] | None = None) -> None:
        self.port, self.addresses = port, dict[str, str]()
        self.process = subprocess.Popen(command, stderr=subprocess.PIPE, env=environment, text=True)
        assert self.process.stderr is not None
        for line in self.process.stderr:
            if found := re.match(r"To (act|watch): (http://\S+)", line):
                self.addresses[found[1]] = found[2]
            if "Ctrl-C" in line:
                break
        self._reader = threading.Thread(target=self.process.stderr.read, daemon=True)
        self._reader.start()

    def __enter__(self) -> Served:
        return self

    def __exit__(self, *_: object) -> None:
        self.process.terminate()
        self.process.wait(30)


def script(screen: str, port: int, host: str = "127.0.0.1", afar: bool = False) -> list[str]:
    return [sys.executable, "-c", SERVE.format(screen=screen, port=port, host=host, afar=afar)]


@pytest.fixture(scope="module")
def page() -> Iterator[Served]:
    """A served screen on the script."""
    port = free_port()
    with Served(script(SCREEN, port), port) as served:
        yield served


def ask(url: str, **headers: str) -> tuple[int, str, dict[str, str]]:
    """Status, text and headers of an answer; a way to somewhere else is not followed."""

    class Stay(urllib.request.HTTPRedirectHandler):
        def redirect_request(self, *_: Any, **__: Any) -> None:
            return None

    request = urllib.request.Request(url, headers={key.replace("_", "-"): v for key, v in headers.items()})
    try:
        with urllib.request.build_opener(Stay).open(request, timeout=20) as answer:
            return answer.status, answer.read().decode("utf-8", "replace"), dict(answer.headers)
    except urllib.error.HTTPError as error:
        return error.code, error.read().decode(), dict(error.headers)


def cookie(address: str) -> str:
    status, _, headers = ask(address)
    assert (status, headers["Location"]) == (303, "/")
    assert all(word in headers["Set-Cookie"] for word in ("HttpOnly", "SameSite=Strict", "Path=/"))
    return headers["Set-Cookie"].partition(";")[0]


def plain(served: Served, path: str = "/") -> str:
    return f"http://127.0.0.1:{served.port}{path}"


def test_nothing_is_shown_without_the_key(page: Served) -> None:
    for path in (
        "/",
        "/?key=",
        "/phone",
        "/phone?key=x",
        "/metrics",
        "/metrics?key=x",
        "/?key=x",
        "/?key=%00%ff",
        "/static/js/textual.js",
        "/static/",
        "/ws",
        "/x",
    ):
        status, text, _ = ask(plain(page, path), Cookie=f"weighloop-{page.port}=guess")
        assert status == 403, path
        assert "textual" not in text
    assert ask(plain(page), Cookie=cookie(page.addresses["watch"]))[0] == 200


def test_headers_let_no_other_page_in(page: Served) -> None:
    said = cookie(page.addresses["act"])
    for path, known in (("/", said), ("/static/js/textual.js", said), ("/", ""), (page.addresses["act"], "")):
        _, _, headers = ask(path if path.startswith("http") else plain(page, path), Cookie=known)
        assert "frame-ancestors 'none'" in headers["Content-Security-Policy"]
        assert "unsafe-inline" not in headers["Content-Security-Policy"].partition("style-src")[0]
        assert headers["X-Frame-Options"] == "DENY"
        assert headers["X-Content-Type-Options"] == "nosniff"
        assert headers["Referrer-Policy"] == "no-referrer"
        assert headers["Cache-Control"] == "no-store"


def test_the_page_asks_nothing_of_other_machines(page: Served) -> None:
    status, text, _ = ask(plain(page), Cookie=cookie(page.addresses["act"]))
    assert status == 200
    outside = [word for word in text.split('"') if "//" in word and f"127.0.0.1:{page.port}" not in word]
    assert outside == []


def test_other_sites_pages_are_refused(page: Served) -> None:
    said = cookie(page.addresses["act"])
    assert ask(plain(page), Cookie=said, Origin=f"http://127.0.0.1:{page.port}")[0] == 200
    assert ask(plain(page), Cookie=said, Origin="http://elsewhere.example")[0] == 403
    assert ask(plain(page), Cookie=said, Host="elsewhere.example")[0] == 403
    assert ask(plain(page, "/ws"), Cookie=said)[0] == 403  # a browser says where its page is from


async def opened(
    session: aiohttp.ClientSession, served: Served, role: str
) -> aiohttp.ClientWebSocketResponse:
    headers = {"Cookie": cookie(served.addresses[role]), "Origin": f"http://127.0.0.1:{served.port}"}
    return await session.ws_connect(plain(served, "/ws?width=1e9&height=-3"), headers=headers, max_msg_size=0)


async def test_windows_are_few_and_odd_messages_are_passed_over(page: Served) -> None:
    async with aiohttp.ClientSession() as session, asyncio.timeout(60):
        windows = [await opened(session, page, "act") for _ in range(web.MOST_WINDOWS)]
        with pytest.raises(aiohttp.WSServerHandshakeError) as refused:
            await opened(session, page, "act")
        assert refused.value.status == 503
        for odd in (
            "",
            "[]",
            "{}",
            "[1]",
            '["resize"]',
            '["resize", {"width": "x", "height": NaN}]',
            "[" * 10**5,
        ):
            await windows[0].send_str(odd)
        await windows[0].send_str('["stdin", "\\ud800"]')
        await windows[0].send_str('["ping", 7]')
        while (message := await windows[0].receive()).type is not aiohttp.WSMsgType.TEXT:
            assert message.type is aiohttp.WSMsgType.BINARY, message
        assert message.json() == ["pong", 7]
        for window in windows:
            await window.close()
        await (await opened(session, page, "act")).close()


@pytest.mark.skipif(not Path("/proc").exists(), reason="looks for processes in /proc")
async def test_a_closed_window_ends_its_processes() -> None:
    port, mark = free_port(), f"window-{time.monotonic_ns()}"
    with Served(script(STUBBORN.format(mark=mark), port), port) as served:
        async with aiohttp.ClientSession() as session, asyncio.timeout(60):
            window = await opened(session, served, "act")
            while running(mark) < 2:
                await asyncio.sleep(0.05)
            await window.close()
            while running(mark):
                await asyncio.sleep(0.05)


def running(mark: str) -> int:
    """How many processes have the mark in their own words, the page's server and this one apart."""
    count = 0
    for place in Path("/proc").glob("[0-9]*/cmdline"):
        with contextlib.suppress(OSError):
            words = place.read_bytes()
            count += mark.encode() in words and b"serve(" not in words
    return count


def test_from_afar_one_only_watches_unless_asked() -> None:
    for afar, roles in ((False, {"watch"}), (True, {"watch", "act"})):
        port = free_port()
        with Served(script(SCREEN, port, "0.0.0.0", afar), port) as served:
            assert set(served.addresses) == roles


def test_a_taken_port_is_named() -> None:
    with socket.socket() as other:
        other.bind(("127.0.0.1", 0))
        other.listen()
        port = other.getsockname()[1]
        done = subprocess.run(script("", port), capture_output=True, text=True, timeout=60)
    assert f"port {port}" in done.stderr
    assert "NotPossible" in done.stderr


@pytest.fixture(scope="module")
def twin_page(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Served]:
    """``weighloop tui --web``: all windows look at one bench twin, which stands still at first."""
    port = free_port()
    words = [sys.executable, "-m", "weighloop.tui.cli", "tui", "--web", "--twin", "--port", str(port)]
    words += ["--speed", "20"]
    state = tmp_path_factory.mktemp("twin") / "state"
    (state / "weighloop").mkdir(parents=True)
    (state / "weighloop" / "cautions-read").touch()
    with Served(words, port, {**os.environ, "XDG_STATE_HOME": str(state)}) as served:
        yield served


@pytest.mark.skipif(shutil.which("chromium") is None, reason="no Chromium on this machine")
async def test_the_verb_shows_the_twins_bench_in_a_headless_browser(
    twin_page: Served, tmp_path: Path
) -> None:
    from tests.support.screen.browser import Browser

    async with Browser(twin_page.addresses["act"], tmp_path) as browser, asyncio.timeout(90):
        while "-first-byte" not in (await browser.value("document.body.className") or ""):
            await asyncio.sleep(0.1)
        await browser.press("4")  # the runs: nothing moves there
        runs = await settled_picture(browser)
        await browser.press("?")
        while await browser.snapshot() == runs:
            await asyncio.sleep(0.1)
        help_page = await settled_picture(browser)
        await browser.press("q")  # leaves the page of help
        while await browser.snapshot() == help_page:
            await asyncio.sleep(0.1)
        await browser.press("q")  # and the screen
        while "-closed" not in (await browser.value("document.body.className") or ""):
            await asyncio.sleep(0.1)
    if folder := os.environ.get("WEIGHLOOP_PICTURES"):
        (Path(folder) / "browser-twin-runs.png").write_bytes(runs)
        (Path(folder) / "browser-twin-help.png").write_bytes(help_page)


@pytest.mark.skipif(not Path("/proc").exists(), reason="looks for processes in /proc")
async def test_all_windows_are_views_of_one_daemon_and_a_reload_loses_no_run(twin_page: Served) -> None:
    def daemons() -> list[str]:
        children = Path(f"/proc/{twin_page.process.pid}/task/{twin_page.process.pid}/children").read_text()
        words = [Path(f"/proc/{child}/cmdline").read_bytes().split(b"\0") for child in children.split()]
        return [w[w.index(b"--socket") + 1].decode() for w in words if b"weighloop.daemon" in w]

    async with aiohttp.ClientSession() as session, asyncio.timeout(90):
        first, second = await opened(session, twin_page, "act"), await opened(session, twin_page, "watch")
        key = twin_page.addresses["watch"].partition("key=")[2]
        for page, word in (("/phone", "WP"), ("/metrics", "weighloop_up 1.0")):
            assert ask(plain(twin_page, page))[0] == 403
            assert ask(plain(twin_page, page), Authorization="Bearer guess")[0] == 403
            status, text, headers = ask(plain(twin_page, page), Authorization=f"Bearer {key}")
            assert status == 200
            assert word in text or page == "/phone"
            assert "script-src" not in headers["Content-Security-Policy"]
        (place,) = daemons()
        with Client.connect(place) as client:
            client.call("control.take", name="the test", force=True)
            bench = client.call("snapshot")["bench_text"]
            number = client.call("run.start", bench_text=bench, points=4, target_u_kg=None, name="WP")
            for window in (first, second):
                await window.close()
            third = await opened(session, twin_page, "act")  # as after a reload
            assert (await third.receive()).type is aiohttp.WSMsgType.BINARY
            assert daemons() == [place]
            run = client.call("snapshot")["run"]
            assert (run["id"], run["state"]) == (number, "running")
            await third.close()


@pytest.mark.skipif(shutil.which("chromium") is None, reason="no Chromium on this machine")
async def test_a_headless_browser_shows_the_screen_and_takes_keys(page: Served, tmp_path: Path) -> None:
    """The page marks its body once the screen's first bytes have come; a key changes what is drawn."""
    from tests.support.screen.browser import Browser

    async with Browser(page.addresses["act"], tmp_path) as browser:
        async with asyncio.timeout(60):
            while "-first-byte" not in (await browser.value("document.body.className") or ""):
                await asyncio.sleep(0.1)
            before = await settled_picture(browser)
            await browser.press("5")  # the bench view
            while await browser.snapshot() == before:
                await asyncio.sleep(0.1)
            after = await settled_picture(browser)
            await browser.press("q")
            while "-closed" not in (await browser.value("document.body.className") or ""):
                await asyncio.sleep(0.1)
    if folder := os.environ.get("WEIGHLOOP_PICTURES"):
        (Path(folder) / "browser-run.png").write_bytes(before)
        (Path(folder) / "browser-bench.png").write_bytes(after)


async def settled_picture(browser: Any) -> bytes:
    """The window once it has stopped changing."""
    last, snapshot = b"", await browser.snapshot()
    while snapshot != last:
        await asyncio.sleep(0.7)
        last, snapshot = snapshot, await browser.snapshot()
    return snapshot
