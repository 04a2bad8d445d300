"""The run view of a calibration: the coil's pulls as they come, what they amount to, and the way on.

The run is a real one of the virtual bench; the fit is the product's own, by the function the screen asks.
"""

from __future__ import annotations

import re
from functools import cache
from pathlib import Path
from typing import Any

import pytest

import tests.support.screen.scripted_daemon as S
from tests.support.bench.coil_bench import bench_text, bench_with_coil
from tests.support.screen.screen_driver import stage
from weighloop.analysis.files.bench_file import parse_bench
from weighloop.daemon.procedure.plan import coil_plan
from weighloop.daemon.procedure.run import to_protocol
from weighloop.tui.run_form import plan_of
from weighloop.tui.screens import new_run, take_away
from weighloop.tui.screens import run as run_view
from weighloop.tui.state import compute


@cache
def coil_run(readings: int, heights: int = 6) -> Any:
    """A run over ``heights`` gaps, both ends, as it stands after ``readings`` of them."""
    bench = bench_with_coil()
    bench.start_coil(bench_text("lift"), heights)
    bench.operate(stop=lambda: bench.run is not None and len(bench.run.points) == readings)
    bench.advance(0.5)
    if readings == 8 * heights:
        bench.operate()
    assert bench.run is not None
    return to_protocol(bench.run, bench.action())


@cache
def scan_run(readings: int) -> Any:
    """A run that moves the coil sideways, after ``readings`` of 24. The virtual bench's pull does not change
    with that, so no axis is found."""
    bench, text = bench_with_coil(), bench_text("lift")
    bench.begin(coil_plan(text, 1, aside=3e-3), text)

    def asks() -> bool:
        action = bench.action()
        seat = action is not None and action["code"] == "move-seat"
        return bool(seat and bench.run and len(bench.run.points) == readings)

    bench.operate(stop=asks)
    assert bench.run is not None
    return to_protocol(bench.run, bench.action())


@pytest.fixture(autouse=True)
def in_this_process(monkeypatch: pytest.MonkeyPatch) -> None:
    for module in (run_view, new_run):
        monkeypatch.setattr(module, "coil_look", compute.coil_look)
    monkeypatch.setattr(take_away.compute_process, "write_coil_report", compute.write_coil_report)


async def test_pulls_come_gap_by_gap_and_the_meter_may_say_otherwise() -> None:
    async with stage(S.snapshot(coil_run(9), S.live_at(100.0))) as st:
        await st.until(lambda: "off %" in st.text())
        assert "Set the coil's current to −48 mA." in st.text()
        assert "i: the meter shows another current" in st.text()
        assert "pull mg" in st.text()
        await st.press("i")
        await st.until(lambda: "What the meter shows" in st.text())
        await st.press("enter")
        said = ("run.confirm", {"choice": "-48.00 mA", "code": "set-current"})
        await st.until(lambda: said in st.feed.calls)


@pytest.mark.costly
async def test_residuals_stand_as_soon_as_three_gaps_are_read() -> None:
    async with stage(S.snapshot(coil_run(24), S.live_at(100.0)), size=(120, 40)) as st:
        await st.until(lambda: "residual / u of the fit" in st.text())
        assert "off u" in st.text()


@pytest.mark.costly
async def test_a_calibration_that_is_over_leads_to_the_next_sample(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(tmp_path)
    async with stage(S.snapshot(coil_run(48), S.live_at(100.0))) as st:
        await st.until(lambda: "The bench, calibrated" in st.text())
        assert "remanence" in st.text()
        assert "data package" not in st.text()
        await st.press("e", "enter")
        await st.until(lambda: "Written:" in st.text())
        (page,), (file,) = tmp_path.glob("*.html"), tmp_path.glob("*.toml")
        assert "reduced chi-square" in page.read_text()
        bench = parse_bench(file.read_text())
        assert bench.calibration is not None
        base, _ = await new_run.earlier_bench(st.app)
        assert parse_bench(base).reference_magnet == bench.reference_magnet


@pytest.mark.costly
async def test_a_scan_asks_for_the_seat_and_says_what_the_places_tell() -> None:
    async with stage(S.snapshot(scan_run(8), S.live_at(100.0))) as st:
        await st.until(lambda: "Move the coil's seat to x = +3 mm, y = 0 mm." in st.text())
        assert "Enter when done" in st.text()
        await st.until(lambda: "the pull, the coil moved sideways" in st.text())
        await st.until(lambda: re.search(r"−3\.00 +\+0\.00 +\d+\.\d", st.text()) is not None)
    async with stage(S.snapshot(scan_run(24), S.live_at(100.0))) as st:
        await st.until(lambda: "hardly changes" in st.text())


@pytest.mark.costly
async def test_the_form_asks_for_the_coil_and_keeps_what_it_does_not_ask_for() -> None:
    feed = S.ScriptedFeed(S.snapshot(coil_run(48), S.live_at(100.0)))
    feed.answers["run.plan"] = S.plan_answer()
    async with stage(feed=feed, size=(120, 40)) as st:
        st.app.push_screen(new_run.NewRun(bench_text("lift")))
        await st.until(lambda: "weighs" in st.text())
        form = st.app.screen
        assert isinstance(form, new_run.NewRun)
        next(s for s in form.query(new_run.Select) if s.name == "run.weighs").value = "the coil"
        await st.until(lambda: form.values["run.points"] == "6")
        form.values["run.current"] = "30 mA"
        assert plan_of(form.values).items() >= {"coil": True, "coil_current_A": 0.03, "points": 6}.items()
        assert parse_bench(form.text()).coil == parse_bench(bench_text("lift")).coil
        next(s for s in form.query(new_run.Select) if s.name == "run.weighs").value = "the coil, sideways"
        await st.until(lambda: form.values["run.points"] == "1")
        await st.until(lambda: "to each side" in st.text())
        form.values["run.aside"] = "2 mm"
        assert plan_of(form.values).items() >= {"coil_aside_m": 0.002, "points": 1}.items()
        form.values["run.current"] = "30"
        with pytest.raises(ValueError, match='such as "48 mA"'):
            plan_of(form.values)


def test_what_is_of_a_sample_only_says_so() -> None:
    for ask in (compute.analyse_run, compute.magnetisation):
        with pytest.raises(compute.NotYet, match="weighs the coil"):
            ask(coil_run(9))
