"""Where a run ends or is held: figures, ways on; and what the loop's plot shows."""

from __future__ import annotations

from pathlib import Path

import pytest

import tests.support.screen.scripted_daemon as S
from tests.support.screen.screen_driver import stage
from tests.support.screen.scripted_results import finished
from weighloop.tui.screens import take_away
from weighloop.tui.widgets.entry import Entry
from weighloop.tui.widgets.loop_plot import LoopPlot


async def test_the_way_out_of_a_held_run_stays_in_sight() -> None:
    why = "The lift lost its position at 3.20 mm: it was touched, or a plug was pulled. " * 2
    async with stage(S.snapshot(S.run_at(12, state="held", why=why))) as st:
        assert "g: go on   s: stop" in st.text().splitlines()[1]


@pytest.mark.costly
async def test_a_run_that_is_over_shows_its_figures_and_where_to_go() -> None:
    feed = S.ScriptedFeed(S.snapshot(S.run_at(38), S.live_at(100.0)))
    feed.answers["run.plan"] = S.plan_answer()
    async with stage(feed=feed) as st:
        assert "until 12:07" in st.text()  # 20 s for each of 22 steps, from noon
        st.feed.say("run", finished())
        await st.until(lambda: "271.4 ± 2.3 kA/m" in st.text())
        assert "M against internal field" in st.text()
        assert "56 of 56 readings used" in st.text()
        await st.press("e")
        await st.until(lambda: "Report, .html or .pdf" in st.text())
        entry = st.app.screen.query_one(Entry)
        assert entry.value.endswith("WP-07-12-run-12.html")
        await st.press("escape", "w")
        await st.until(lambda: "^S start" in st.text())


async def test_a_report_is_written_where_it_was_asked_for(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    written = []
    for what in ("report", "package"):
        monkeypatch.setattr(
            take_away.compute_process,
            f"write_run_{what}",
            lambda run, path, what=what: written.append((what, run["id"], path)) or path,
        )
    monkeypatch.chdir(tmp_path)
    async with stage(S.snapshot(finished())) as st:
        for key, what, name in (("e", "report", "WP-07-12-run-12.html"), ("x", "package", "WP-07-12-run-12")):
            await st.press(key, "enter")
            await st.until(lambda: written)
            await st.until(lambda: "Written:" in st.text())
            assert written.pop() == (what, 12, str(tmp_path / name))


async def test_what_is_only_expected_does_not_rule_the_scale() -> None:
    """Ten times the planned pull on the branches to come: the scale stays that of the readings."""
    seen = []
    for much in (1.0, 10.0):
        run = S.run_at(20)
        for step in run["steps"][20:]:
            step["predicted_reading_kg"] = much * (step["predicted_reading_kg"] or 0.0)
        async with stage(S.snapshot(run), size=(120, 40)) as st:
            await st.press("m")
            plot = st.app.screen.query_one(LoopPlot)
            seen.append((plot._y_min, plot._y_max))
    assert seen[0] == seen[1]


async def test_uncertainty_bars_are_drawn_where_they_show() -> None:
    """Ink in the column of the farthest gap: a gram there is all of the pull."""
    inked = []
    for u in (0.6e-6, 1e-3):
        run = S.run_at(60)
        for point in run["points"]:
            point["u_kg"] = u
        async with stage(S.snapshot(run), size=(120, 40)) as st:
            await st.until(lambda: "M against applied field, both" in st.text())
            inked.append(sum("\u2800" < c <= "\u28ff" for c in st.text()))
    assert inked[1] > inked[0] + 20
