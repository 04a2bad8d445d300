"""Runs are found, renamed, noted on and hidden; commands are found by their words."""

from __future__ import annotations

import pytest

import tests.support.screen.scripted_daemon as S
from tests.support.screen.screen_driver import stage
from tests.support.screen.scripted_results import finished, result
from weighloop.tui.screens import figures as figures_view


@pytest.fixture
def scripted_analysis(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(figures_view, "analyse_run", result)


@pytest.mark.usefixtures("scripted_analysis")
async def test_runs_are_found_by_words_renamed_noted_and_hidden() -> None:
    lines = [S.run_line(k, f"WP-07-{k}") for k in range(1, 9)]
    lines[2]["notes"] = ["fired at 1180 °C"]
    lines[6]["hidden"] = True
    async with stage(S.snapshot(None), size=(120, 40)) as st:
        st.feed.answers["runs.list"] = lines
        st.feed.answers["runs.get"] = lambda run: finished(run)
        await st.press("4")
        await st.until(lambda: "7 runs, 1 hidden (v shows them)" in st.text())
        await st.until(lambda: st.text().count("271.4 ± 2.3") == 7)  # the main figures, run by run
        assert "WP-07-7" not in st.text()
        await st.press("slash", *"1180")
        await st.until(lambda: "1 of 7 runs with '1180'" in st.text())
        await st.press("enter", "m")
        await st.until(lambda: "Sample of run 3:" in st.text())
        await st.press("end", "b", "enter")
        await st.until(lambda: st.feed.asked("runs.rename"))
        assert st.feed.asked("runs.rename") == [{"run": 3, "name": "WP-07-3b"}]
        await st.press("n", *"lid", "enter")
        await st.until(lambda: st.feed.asked("runs.note"))
        assert st.feed.asked("runs.note") == [{"run": 3, "text": "lid"}]
        await st.press("h")
        await st.until(lambda: "Leave run 3, WP-07-3, out" in st.text())
        await st.press("y")
        await st.until(lambda: st.feed.asked("runs.hide"))
        assert st.feed.asked("runs.hide") == [{"run": 3, "hidden": True}]
        await st.press("escape", "v")
        await st.until(lambda: "8 runs, 1 hidden among them" in st.text())


@pytest.mark.costly
@pytest.mark.usefixtures("scripted_analysis")
async def test_commands_and_runs_are_found_by_their_words() -> None:
    async with stage(S.snapshot(S.run_at(38)), size=(120, 40)) as st:
        st.feed.answers["runs.list"] = [S.run_line(k, f"WP-07-{k}") for k in (3, 12)]
        st.feed.answers["runs.get"] = lambda run: finished(run)
        await st.press("ctrl+p")
        await st.until(lambda: "Hold (h)" in st.text())
        assert "Go on (g)" not in st.text()  # nothing is held
        await st.press(*"hold")
        await st.until(lambda: "Repeat (r)" not in st.text())
        await st.press("enter")
        await st.until(lambda: st.feed.asked("run.hold"))
        await st.press("ctrl+p", *"WP-07-3")
        await st.until(lambda: "run 3 WP-07-3" in st.text())
        await st.press("enter")
        await st.until(lambda: st.app.current_mode == "figures")
        assert st.app.opened is not None
        assert st.app.opened["id"] == 3
