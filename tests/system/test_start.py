"""What the screen loads for its first paint and for a new run, and that it paints without colour."""

from __future__ import annotations

import subprocess
import sys

import pytest
from textual.theme import Theme

import tests.support.screen.scripted_daemon as S
from tests.support.screen.screen_driver import stage
from tests.support.screen.scripted_results import result
from tests.tui.conftest import quiet_terminal
from weighloop.tui.app import DARK, LIGHT
from weighloop.tui.screens import figures as figures_view

__all__ = ["quiet_terminal"]

#: Libraries that take long to load: neither the first paint nor the form needs them.
HEAVY = ("scipy", "pandas", "magpylib", "pint", "pydantic", "matplotlib")

FIRST_PAINT = """
import asyncio, sys
from tests.support.screen.painting import painted

async def main():
    async with painted(20, (80, 24)) as (feed, pilot):
        await pilot.pause(0.1)

asyncio.run(main())
print(*[name for name in {heavy!r} if name in sys.modules])
"""

NEW_RUN = """
import asyncio, sys
from tests.support.screen import scripted_daemon as S
from tests.support.screen.screen_driver import stage

async def main():
    async with stage(S.snapshot(None)) as st:
        st.feed.answers["run.plan"] = S.plan_answer()
        await st.press("w")
        await st.until(lambda: "uncertainty of M" in st.text())
        await st.press("ctrl+s")
        await st.until(lambda: len(st.app.screen_stack) == 1)

asyncio.run(main())
print(*[name for name in {heavy!r} if name in sys.modules])
"""


def loaded(code: str) -> list[str]:
    """What of HEAVY a script loads in a fresh interpreter, as other tests have loaded everything."""
    code = code.format(heavy=HEAVY)
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, timeout=120)
    assert done.returncode == 0, done.stderr
    return done.stdout.split()


def test_the_first_paint_loads_nothing_heavy() -> None:
    assert loaded(FIRST_PAINT) == []


def test_the_form_of_a_new_run_loads_nothing_heavy() -> None:
    """While it did, the live reading stood still and the run's view came late; the daemon has all of it."""
    assert loaded(NEW_RUN) == []


WORK = """
import asyncio, sys, time
from tests.support.screen import scripted_daemon as S
from tests.support.screen.painting import painted

async def main():
    async with painted(20, (120, 40)) as (feed, pilot):
        print(time.process_time())
        for tenth in range({tenths}):
            if tenth == 20:  # the first seconds load what the view needs later
                wall, work = time.perf_counter(), time.process_time()
            feed.say("live", S.live_at(100.1 + tenth / 10, -12.3456e-3 + 1e-6 * (tenth % 17)))
            await asyncio.sleep(0.1)
        if {tenths}:
            print((time.process_time() - work) / (time.perf_counter() - wall))

asyncio.run(main())
"""


def work(tenths: int) -> list[float]:
    """Processor time of a first paint in s, then the share of a core while ten readings a second come.

    In a fresh interpreter, with the byte code that an installed program has (a first one writes it). Of the
    processor, not of the clock: what else the machine does is not the screen's.
    ``tests.benchmarks.speed.screen`` has both.
    """
    command = [sys.executable, "-c", WORK.format(tenths=tenths)]
    done = subprocess.run(command, capture_output=True, text=True, timeout=120)
    assert done.returncode == 0, done.stderr
    return [float(word) for word in done.stdout.split()]


def test_the_first_paint_is_a_second_of_work_at_most() -> None:
    assert any(work(0)[0] < 1.0 for _ in range(4))


def test_ten_readings_a_second_take_a_twentieth_of_a_core_at_most() -> None:
    assert work(120)[1] < 0.05


@pytest.mark.parametrize(
    ("told", "theme"), [("0;15", LIGHT), ("0;default;7", LIGHT), ("15;0", DARK), (None, DARK)]
)
async def test_a_light_terminal_gets_dark_ink(
    told: str | None, theme: Theme, monkeypatch: pytest.MonkeyPatch
) -> None:
    """COLORFGBG, as several terminals set it: the last number is the ground, 7 and 15 are white."""
    if told is not None:
        monkeypatch.setenv("COLORFGBG", told)
    async with stage() as st:
        assert st.app.theme == theme.name
        assert st.app.screen.styles.background.hex.lower() == theme.background


@pytest.mark.parametrize("key", "12345w?na")
async def test_without_colour_the_words_and_shapes_are_all_there(
    key: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    """NO_COLOR (no-color.org): greys only, on every view and card."""
    monkeypatch.setenv("NO_COLOR", "1")
    monkeypatch.setattr(figures_view, "analyse_run", result)
    run = S.run_at(1000, state="finished") if key == "w" else S.run_at(38)
    feed = S.ScriptedFeed(S.snapshot(run, S.live_at(100.0)))
    feed.answers["run.plan"] = S.plan_answer()
    async with stage(feed=feed) as st:
        assert "● along  ○ against" in st.text()
        await st.press("question_mark" if key == "?" else key)
        await st.still()
        strips = st.app.screen._compositor.render_strips()
        assert sum(segment.text.strip() != "" for strip in strips for segment in strip) > 15
        for strip in strips:
            for segment in strip.apply_filter(st.app._filters[0], st.app.screen.styles.background):
                for colour in (segment.style.color, segment.style.bgcolor) if segment.style else ():
                    if colour is not None and colour.triplet is not None:
                        assert max(colour.triplet) - min(colour.triplet) <= 1, segment
