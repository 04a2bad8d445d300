"""Loops run together in the figures view: asked for, followed, and back to the one."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import pytest

import tests.support.screen.scripted_daemon as S
from tests.support.screen.screen_driver import stage
from tests.support.screen.scripted_programmes import programme_result, programme_run
from tests.support.screen.scripted_repeats import followed, repeats
from tests.support.screen.scripted_results import finished, result
from weighloop.analysis.repeat import repeat
from weighloop.tui.screens import figures as figures_view
from weighloop.tui.screens import run as run_view
from weighloop.tui.state.compute import NotYet
from weighloop.tui.state.repeats import as_figures
from weighloop.tui.widgets.programme_curves import programme_pictures


@pytest.fixture(autouse=True)
def scripted(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(figures_view, "analyse_run", result)
    monkeypatch.setattr(figures_view, "follow_loops", followed)


async def test_loops_run_together_are_followed_and_left_again() -> None:
    async with stage(S.snapshot(finished()), size=(120, 40)) as st:
        st.feed.answers["runs.together"] = list(range(5, 13))
        st.feed.answers["runs.get"] = lambda run: finished(run)
        await st.press("3")
        await st.until(lambda: "remanence" in st.text() and "Repeats" in st.text())
        await st.press("t")
        await st.until(lambda: "8 loops of WP-07-12, from run 5 on" in st.text())
        assert [asked["run"] for asked in st.feed.asked("runs.get")] == list(range(5, 13))
        assert "α(Br) = −0.197 ± 0.012 %/K" in st.text()
        assert "run 4: no finished loop" in st.text()
        # The report of a run is not that of eight.
        assert "Report" not in st.text()
        await st.press("y")
        await st.until(lambda: "temp. coefficient of HcJ" in st.app.clipboard)
        await st.press("t")
        await st.until(lambda: "Run 12, WP-07-12" in st.text() and "Report" in st.text())


async def test_a_loop_started_alone_says_so() -> None:
    async with stage(S.snapshot(finished())) as st:
        st.feed.answers["runs.together"] = [12]
        await st.press("3")
        await st.until(lambda: "remanence" in st.text())
        await st.press("t")
        await st.until(lambda: "Run 12 was started alone." in st.text())
        assert not st.feed.asked("runs.get")


async def test_loops_that_cannot_be_followed_leave_the_one(monkeypatch: pytest.MonkeyPatch) -> None:
    def refused(runs: Any, progress: Any) -> Any:
        raise NotYet("loops of one sample: 1; a repeat needs 3 or more")

    monkeypatch.setattr(figures_view, "follow_loops", refused)
    async with stage(S.snapshot(finished())) as st:
        st.feed.answers["runs.together"] = [10, 11, 12]
        st.feed.answers["runs.get"] = lambda run: finished(run)
        await st.press("3")
        await st.until(lambda: "remanence" in st.text())
        await st.press("t")
        await st.until(lambda: "loops of one sample: 1" in st.text())
        await st.until(lambda: "Run 12, WP-07-12" in st.text())


async def test_another_programme_has_no_loops(monkeypatch: pytest.MonkeyPatch) -> None:
    for module in (figures_view, run_view):
        monkeypatch.setattr(module, "analyse_run", programme_result)
    async with stage(S.snapshot(programme_run("decay", state="finished"))) as st:
        await st.press("3")
        await st.until(lambda: "viscosity" in st.text())
        assert "Repeats" not in st.text()


def test_the_line_goes_through_the_loops() -> None:
    """Its slope by its value at 20 °C is the coefficient (IEC 60404-8-1's; from memory -0.19 %/K of Br)."""
    pictures = {picture.of: picture for picture in programme_pictures(repeats())}
    of = pictures["Mr against temperature"]
    (line, _) = of.curves[0]
    (T, M), (warmer, there) = line[0], line[-1]
    slope = (there - M) / (warmer - T)
    assert slope / (M + slope * (20.0 - T)) == pytest.approx(-0.0019, abs=3e-4)
    assert len(of.dots) == 8
    middle = sum(dot.y for dot in of.dots) / 8
    assert all(abs(dot.y - (M + slope * (dot.x - T))) < 3e-3 * middle for dot in of.dots)
    assert {"HcJ against time", "temperature"} <= pictures.keys()


def test_loops_without_clock_or_thermometer_are_drawn_one_after_the_other() -> None:
    nothing = float("nan")
    loops = [replace(loop, time=nothing, temperature=nothing) for loop in repeats().found.loops]
    pictures = programme_pictures(as_figures(repeat(loops, trials=1000, seed=1)))
    assert [picture.axes for picture in pictures] == [
        "Mr, kA/m, against loop",
        "HcJ, kA/m, against loop",
        "no loop noted its temperature",
    ]
