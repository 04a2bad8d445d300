"""A headless Chromium spoken to by its debugging protocol: enough to open a page, type, and look."""

from __future__ import annotations

import asyncio
import base64
import subprocess
from pathlib import Path
from types import TracebackType
from typing import Any

import aiohttp


class Browser:
    """One window at ``url``; an asynchronous context."""

    def __init__(self, url: str, profile: Path) -> None:
        self.url, self.profile = url, profile
        self._number = 0

    async def __aenter__(self) -> Browser:
        command = ["chromium", "--headless", "--no-sandbox", "--disable-gpu", "--window-size=1100,760"]
        command += ["--remote-debugging-port=0", f"--user-data-dir={self.profile}", "about:blank"]
        self._process = subprocess.Popen(command, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL)
        told = self.profile / "DevToolsActivePort"
        while not told.exists() or not told.read_text().strip():
            await asyncio.sleep(0.05)
        port = told.read_text().split()[0]
        self._session = aiohttp.ClientSession()
        async with self._session.get(f"http://127.0.0.1:{port}/json") as answer:
            page = next(p for p in await answer.json() if p["type"] == "page")
        self._line = await self._session.ws_connect(page["webSocketDebuggerUrl"], max_msg_size=0)
        await self.ask("Page.navigate", url=self.url)
        return self

    async def ask(self, method: str, **params: Any) -> Any:
        """One command of the debugging protocol."""
        self._number += 1
        await self._line.send_json({"id": self._number, "method": method, "params": params})
        while True:
            message = await self._line.receive_json()
            if message.get("id") == self._number:
                return message.get("result", message)

    async def value(self, expression: str) -> Any:
        """What a line of script gives."""
        answer = await self.ask("Runtime.evaluate", expression=expression, returnByValue=True)
        return answer["result"].get("value")

    async def press(self, key: str) -> None:
        """One printable key, typed into the terminal."""
        await self.value("document.querySelector('textarea').focus()")
        await self.ask("Input.insertText", text=key)

    async def snapshot(self) -> bytes:
        """The window as PNG."""
        return base64.b64decode((await self.ask("Page.captureScreenshot", format="png"))["data"])

    async def __aexit__(
        self, kind: type[BaseException] | None, value: BaseException | None, trace: TracebackType | None
    ) -> None:
        await self._session.close()
        self._process.terminate()
        self._process.wait(60)
