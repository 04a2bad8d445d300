"""What the screen loads before its first paint, and that it paints without colour."""

from __future__ import annotations

import os
import subprocess
import sys

import pytest

#: Libraries that take long to load: nothing of the first paint needs them.
HEAVY = ("scipy", "pandas", "magpylib", "pint", "pydantic", "matplotlib")

FIRST_PAINT = """
import asyncio, sys
sys.path.insert(0, {helpers!r})
import scripted as S
from weighloop.tui.app import WeighloopApp

async def main():
    app = WeighloopApp(S.ScriptedFeed(S.snapshot(S.run_at(20), S.live_at(100.0))), cautions=False)
    async with app.run_test(size=(80, 24)) as pilot:
        while not app.picture.linked:
            await pilot.pause(0.01)
        await pilot.pause(0.1)
        print(*[name for name in {heavy!r} if name in sys.modules])

asyncio.run(main())
"""


def test_the_first_paint_loads_nothing_heavy() -> None:
    """In a fresh interpreter, as other tests have loaded everything."""
    code = FIRST_PAINT.format(helpers=os.path.dirname(__file__), heavy=HEAVY)
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, timeout=120)
    assert done.returncode == 0, done.stderr
    assert done.stdout.split() == []


async def test_without_colour_the_words_and_shapes_are_all_there(monkeypatch: pytest.MonkeyPatch) -> None:
    """NO_COLOR (no-color.org): greys only."""
    from driving import stage

    monkeypatch.setenv("NO_COLOR", "1")
    async with stage() as st:
        assert "HANDS OFF" in st.text()
        assert "●along ○against" in st.text()
        for strip in st.app.screen._compositor.render_strips():
            for segment in strip.apply_filter(st.app._filters[0], st.app.screen.styles.background):
                for colour in (segment.style.color, segment.style.bgcolor) if segment.style else ():
                    if colour is not None and colour.triplet is not None:
                        assert max(colour.triplet) - min(colour.triplet) <= 1, segment
