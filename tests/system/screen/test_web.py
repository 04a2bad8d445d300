"""The screen in a browser: loopback only, nothing from elsewhere, and it really opens."""

from __future__ import annotations

import asyncio
import os
import shutil
import socket
import subprocess
import sys
import time
import urllib.error
import urllib.request
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import pytest

from weighloop.analysis.errors import NotPossible
from weighloop.tui import web


def free_port() -> int:
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        return probe.getsockname()[1]


SERVE = """
import sys
from weighloop.tui.web import serve
serve([sys.executable, "-c", {screen!r}], port={port})
"""
SCREEN = """
import sys
from tests.support import scripted_daemon as S
from weighloop.tui.app import WeighloopApp
feed = S.ScriptedFeed(S.snapshot(S.run_at(20), S.live_at(100.0)))
WeighloopApp(feed, cautions=False, now=lambda: 50.0).run()
"""


@pytest.fixture(scope="module")
def page() -> Iterator[int]:
    """A served screen on the script; gives its port."""
    port = free_port()
    with serving([sys.executable, "-c", SERVE.format(screen=SCREEN, port=port)], port):
        yield port


@contextmanager
def serving(command: list[str], port: int, environment: dict[str, str] | None = None) -> Iterator[None]:
    """A process that serves a page, once somebody listens at its port."""
    process = subprocess.Popen(command, stderr=subprocess.DEVNULL, env=environment)
    try:
        for _ in range(200):
            with socket.socket() as probe:
                if probe.connect_ex(("127.0.0.1", port)) == 0:
                    break
            time.sleep(0.1)
        yield
    finally:
        process.terminate()
        process.wait(20)


def ask(port: int, **headers: str) -> tuple[int, str]:
    request = urllib.request.Request(f"http://127.0.0.1:{port}/", headers=headers)
    try:
        with urllib.request.urlopen(request, timeout=20) as answer:
            return answer.status, answer.read().decode()
    except urllib.error.HTTPError as error:
        return error.code, ""


def test_the_page_asks_nothing_of_other_machines(page: int) -> None:
    status, text = ask(page)
    assert status == 200
    outside = [word for word in text.split('"') if "//" in word and f"127.0.0.1:{page}" not in word]
    assert outside == []


def test_other_sites_pages_are_refused(page: int) -> None:
    assert ask(page, Origin=f"http://127.0.0.1:{page}")[0] == 200
    assert ask(page, Origin="http://elsewhere.example")[0] == 403
    assert ask(page, Host="elsewhere.example")[0] == 403


def test_only_loopback_is_served() -> None:
    with pytest.raises(NotPossible, match="loopback"):
        web.server(["screen"], "0.0.0.0", 8270)


def test_a_taken_port_is_named() -> None:
    with socket.socket() as other:
        other.bind(("127.0.0.1", 0))
        other.listen()
        port = other.getsockname()[1]
        done = subprocess.run(
            [sys.executable, "-c", SERVE.format(screen="", port=port)],
            capture_output=True,
            text=True,
            timeout=60,
        )
    assert f"port {port}" in done.stderr
    assert "NotPossible" in done.stderr


@pytest.fixture
def twin_page(tmp_path: Path) -> Iterator[int]:
    """``weighloop tui --web``, each window with a bench twin of its own; gives its port."""
    port = free_port()
    words = [
        sys.executable,
        "-m",
        "weighloop.tui.cli",
        "tui",
        "--web",
        "--twin",
        "--port",
        str(port),
    ]
    state = tmp_path / "state"
    (state / "weighloop").mkdir(parents=True)
    (state / "weighloop" / "cautions-read").touch()
    with serving(words, port, {**os.environ, "XDG_STATE_HOME": str(state)}):
        yield port


@pytest.mark.skipif(shutil.which("chromium") is None, reason="no Chromium on this machine")
async def test_the_verb_shows_the_twins_bench_in_a_headless_browser(twin_page: int, tmp_path: Path) -> None:
    from tests.support.browser import Browser

    async with Browser(f"http://127.0.0.1:{twin_page}/", tmp_path) as browser, asyncio.timeout(90):
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


@pytest.mark.skipif(shutil.which("chromium") is None, reason="no Chromium on this machine")
async def test_a_headless_browser_shows_the_screen_and_takes_keys(page: int, tmp_path: Path) -> None:
    """The page marks its body once the screen's first bytes have come; a key changes what is drawn."""
    from tests.support.browser import Browser

    async with Browser(f"http://127.0.0.1:{page}/", tmp_path) as browser:
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
