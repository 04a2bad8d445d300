"""Pictures of every screen, to look at: 120 by 40 and 80 by 24, on dark and light ground, and in a browser.

``python -m tests.support.screen.pictures FOLDER [NAME ...]`` writes one PNG for each screen with its four
pictures side by side, and, where no names are given, what a browser shows: the screen at 1100 and at 390
pixels, and the page for a phone.
"""

from __future__ import annotations

import asyncio
import os
import re
import sys
import tempfile
from pathlib import Path

import tests.support.screen.scripted_daemon as S
from tests.support.screen.browser import Browser
from tests.support.screen.screens import SCREENS, screen
from weighloop.tui.web.phone import PhonePage

SIZES = ((120, 40), (80, 24))
STYLE = "body{display:grid;grid-template-columns:1fr 1fr;gap:6px;margin:6px}svg{width:100%}"
#: What a browser is told its window is, and how much larger the picture is drawn, by the picture's name.
WINDOWS = {"browser": (1100, 760, 1), "browser-390": (390, 844, 2)}


async def draw(name: str) -> list[str]:
    """The screen of that name as SVG, at each size, on dark and then on light ground."""
    found = []
    for size in SIZES:
        for light in (False, True):
            async with screen(name, size, light) as st:
                # Without a font from elsewhere: the browser would show no text until it had it.
                svg = st.app.export_screenshot(title="")
                found.append(re.sub(r"@font-face \{.*?\}", "", svg, flags=re.S))
    return found


async def photograph(browser: Browser, width: int, height: int, scale: float = 1) -> bytes:
    """The window at this size as PNG."""
    await browser.ask(
        "Emulation.setDeviceMetricsOverride",
        width=width, height=height, deviceScaleFactor=scale, mobile=width < 500,
    )  # fmt: skip
    await asyncio.sleep(0.5)
    return await browser.snapshot()


async def sheets(folder: Path, names: list[str]) -> None:
    """One sheet for each screen."""
    for name in names or SCREENS:
        page = folder / "sheet.html"
        cells = "".join(f"<div>{svg}</div>" for svg in await draw(name))
        page.write_text(f"<style>{STYLE}</style>{cells}", encoding="utf-8")
        with tempfile.TemporaryDirectory(ignore_cleanup_errors=True) as profile:
            async with Browser(page.as_uri(), Path(profile)) as browser:
                (folder / f"{name}.png").write_bytes(await photograph(browser, 1900, 1330))
        page.unlink()


async def in_a_browser(folder: Path) -> None:
    """The screen served to a browser, wide and narrow, and the page for a phone, light and dark."""
    from tests.system.screen.test_web import SCREEN, Served, free_port, script

    port = free_port()
    # A browser that has ended may still have children that write.
    profiles = tempfile.TemporaryDirectory(ignore_cleanup_errors=True)
    with Served(script(SCREEN, port), port) as served, profiles as profile:
        async with Browser("about:blank", Path(profile)) as browser:
            for name, (width, height, scale) in WINDOWS.items():
                await photograph(browser, width, height)
                await browser.ask("Page.navigate", url=served.addresses["act"])
                await asyncio.sleep(8)
                (folder / f"{name}.png").write_bytes(await photograph(browser, width, height, scale))
    run = S.run_at(38)
    page = folder / "phone.html"
    page.write_text(
        PhonePage().html(({"well": True}, S.snapshot(run, S.live_at(100.0))), "", ""), encoding="utf-8"
    )
    with tempfile.TemporaryDirectory(ignore_cleanup_errors=True) as profile:
        async with Browser(page.as_uri(), Path(profile)) as browser:
            for ground in ("light", "dark"):
                scheme = [{"name": "prefers-color-scheme", "value": ground}]
                await browser.ask("Emulation.setEmulatedMedia", features=scheme)
                (folder / f"phone-{ground}.png").write_bytes(await photograph(browser, 390, 844, 2))
    page.unlink()


if __name__ == "__main__":
    with tempfile.TemporaryDirectory() as home:  # nothing of this user's own
        os.environ |= {f"XDG_{kind}_HOME": home for kind in ("STATE", "DATA", "CONFIG", "CACHE")}
        place = Path(sys.argv[1]).absolute()
        place.mkdir(parents=True, exist_ok=True)
        asyncio.run(sheets(place, sys.argv[2:]))
        if not sys.argv[2:]:
            asyncio.run(in_a_browser(place))
