"""Steadiness, figures, runs, comparison, bench, cautions, help."""

from __future__ import annotations

import threading
from typing import Any

import pytest
from textual.widgets import DataTable

import tests.support.screen.scripted_daemon as S
from tests.support.screen.screen_driver import Stage, click, stage
from tests.support.screen.scripted_results import figure, finished, result
from weighloop.analysis.inversion import methods as estimates
from weighloop.tui.keys import KEYS
from weighloop.tui.screens import compare as compare_screen
from weighloop.tui.screens import figures as figures_view
from weighloop.tui.screens import safety as cautions
from weighloop.tui.widgets.budget_bars import bars


@pytest.fixture
def scripted_analysis(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(figures_view, "analyse_run", result)
    monkeypatch.setattr(compare_screen, "analyse_run", result)
    monkeypatch.setattr(compare_screen, "differing", lambda results: {(1, "remanence_A_per_m")})


async def open_figures(st: Stage) -> None:
    await st.press("3")
    await st.until(lambda: "remanence" in st.text())
    await st.still()


@pytest.mark.usefixtures("scripted_analysis")
async def test_figures_say_what_is_measured_bound_and_not_determined() -> None:
    async with stage(S.snapshot(finished())) as st:
        await open_figures(st)
        text = st.text()
        lines = {line.split()[0]: line for line in text.splitlines() if line.strip()}
        assert "≥ 301.0" in lines["saturation"]
        assert "at least" in lines["saturation"]
        assert "±" not in lines["saturation"]
        assert "271.4 ± 2.3" in lines["remanence"]
        assert "266.8 to 276.0" in lines["remanence"]
        assert "measured" in lines["remanence"]
        assert "not determined" in lines["squareness"]
        assert "M is still rising at the largest field." in text
        assert "! two readings at one gap" in text
        assert "(rows 4, 5)" in text
        assert "readings on the bench file" in text
        await st.press("down")
        await st.until(lambda: "± of remanence, by input" in st.text())
        assert "71 %" in st.text()
        await st.press("y")
        assert "remanence\t271.4 ± 2.3\tkA/m\t266.8 to 276.0\tmeasured" in st.app.clipboard


@pytest.mark.usefixtures("scripted_analysis")
async def test_figures_are_computed_again_when_asked(monkeypatch: pytest.MonkeyPatch) -> None:
    count = []
    monkeypatch.setattr(figures_view, "analyse_run", lambda run: count.append(1) or result(run))
    async with stage(S.snapshot(finished())) as st:
        await open_figures(st)
        await st.press("r")
        await st.until(lambda: len(count) == 2)


@pytest.mark.usefixtures("scripted_analysis")
async def test_figures_come_as_they_become_determinable(monkeypatch: pytest.MonkeyPatch) -> None:
    """While the run goes on: nothing, then what the readings so far support, then more."""
    monkeypatch.setattr(figures_view, "EVERY_S", 0.0)
    monkeypatch.setattr(figures_view, "WORK_SHARE", 1e9)

    def so_far(run: Any) -> Any:
        found = result(run)
        if len(run["points"]) < 40:
            found.figures["remanence_A_per_m"] = figure(
                None, None, "not determined", "No reverse branch yet."
            )
        return found

    monkeypatch.setattr(figures_view, "analyse_run", so_far)
    async with stage(S.snapshot(S.run_at(30))) as st:
        await st.press("3")
        await st.until(lambda: "remanence" in st.text())
        assert ", still being weighed" in st.text()
        assert "not determined" in next(k for k in st.text().splitlines() if " remanence" in k)
        st.feed.say("run", S.run_at(50))
        await st.until(lambda: "271.4 ± 2.3" in st.text())
        assert sum(p["kind"] == "point" for p in S.run_at(50)["points"]) == 47
        assert "47 of 47 readings used" in st.text()


async def test_figures_of_too_few_readings_say_so() -> None:
    async with stage(S.snapshot(S.run_at(2))) as st:
        await st.press("3")
        await st.until(lambda: "Figures appear once a few readings are taken." in st.text())
        await st.press("y")
        assert st.app.clipboard == ""


async def test_where_there_is_nothing_to_draw_no_axes_stand() -> None:
    """Numbers along an empty plot would be nobody's."""
    async with stage(S.snapshot(None), size=(120, 40)) as st:
        for key, said in (("2", "the load is changing"), ("3", "No run yet")):
            await st.press(key)
            await st.until(lambda said=said: said in st.text())
            assert not set("┏┓┗┛┫┣") & set(st.text())


def test_every_way_to_find_the_loop_is_said_in_words() -> None:
    loop = {estimates.MEAN, estimates.SPLINE, estimates.DENSITY}
    assert set(figures_view.METHODS) == loop | {"recoil", "remanence", "reversal", "decay", "repeat"}


@pytest.mark.costly
@pytest.mark.usefixtures("scripted_analysis")
async def test_a_run_of_the_store_is_opened_and_left() -> None:
    async with stage(S.snapshot(finished(12))) as st:
        st.feed.answers["runs.list"] = [S.run_line(k, f"WP-07-{k}") for k in (3, 12)]
        st.feed.answers["runs.get"] = lambda run: finished(run)
        await st.press("4")
        await st.until(lambda: "2 runs" in st.text())
        await st.press("down", "enter")
        await st.until(lambda: st.app.current_mode == "figures" and "Run 3, WP-07-3" in st.text())
        await st.press("p")
        await st.until(lambda: "Run 12, WP-07-12" in st.text())
        assert {"run": 3} in st.feed.asked("runs.get")


@pytest.mark.usefixtures("scripted_analysis")
async def test_two_to_six_runs_are_compared() -> None:
    async with stage(S.snapshot(None)) as st:
        st.feed.answers["runs.list"] = [S.run_line(k, f"WP-07-{k}") for k in range(1, 9)]
        st.feed.answers["runs.get"] = lambda run: finished(run)
        await st.press("4")
        await st.until(lambda: "8 runs" in st.text())
        await st.press("space", "c")
        assert len(st.app.screen_stack) == 1  # one is none
        for _ in range(6):
            await st.press("down", "space")
        assert "6 marked" in st.text()  # the seventh was refused
        await st.press("c")
        await st.until(lambda: "● 8 WP-07-8" in st.text())
        text = st.text()
        marks = [
            text.count(f"{mark} {k} WP-07-{k}") for mark, k in zip("●□▲◇×+", range(8, 2, -1), strict=True)
        ]
        assert marks == [1] * 6
        assert ("HcJ coercivity of M" in text) is (st.app.size.width >= 100)  # where a line has room for it
        table = st.app.screen.query_one(DataTable)
        assert table.row_count == 6
        await st.press("y", "escape")
        assert len(st.app.clipboard.splitlines()) == 6
        assert [row.count("≠") for row in st.app.clipboard.splitlines()] == [0, 1, 0, 0, 0, 0]
        assert "271.4 ± 2.3" in st.app.clipboard


@pytest.mark.costly
def test_differences_are_judged_by_the_reports_functions() -> None:
    """A run against itself does not differ, against one of a fifth less mass it does, in density alone."""
    from weighloop.tui.state.compute import analyse_run, differing

    run: Any = S.run_at(0)
    run["steps"] = S.plan(4)
    run["points"] = S.points_of(run["steps"], len(run["steps"]))
    lighter = {**run, "bench_text": run["bench_text"].replace("412 mg", "330 mg")}
    same, other = (analyse_run(one, trials=50) for one in (run, lighter))
    found = differing([same, same, other])
    assert not any(k == 1 for k, _ in found)
    assert (2, "density_kg_per_m3") in found
    assert (2, "saturation_A_per_m") not in found


async def test_the_bench_view_says_what_is_wrong() -> None:
    run = S.run_at()
    run["bench_text"] = run["bench_text"].replace('"220 g"', '"220 mm"').replace("remanence", "remanance")
    first = S.snapshot(run, S.live_at(1.0))
    first["balance"] = S.device("/dev/ttyUSB0", "silent", 12.0)
    async with stage(first, size=(120, 40)) as st:
        await st.press("5")
        await st.until(lambda: "balance.capacity" in st.text())
        text = st.text()
        assert "balance silent" in text
        assert "heard 12 s ago, 2 of 4120 lines not understood" in text
        assert "22.4 °C at the magnet, field probe 2.613 V, vibration" in text
        assert "! the balance is heard" in text
        assert "remanance" in text
        assert "! the bench file has no faults" in text
        assert "Re-zero" not in text  # a run under way reads its own zeros
        st.feed.say("run", {**run, "state": "held"})
        await st.until(lambda: "Re-zero" in st.text())
        await st.press("z", "y")
        await st.until(lambda: st.feed.asked("balance.rezero"))


@pytest.mark.costly
async def test_steadiness_draws_the_trace_and_the_whole_run() -> None:
    async with stage(size=(120, 40)) as st:
        for k in range(200):
            st.feed.say("live", S.live_at(101.0 + k / 10, reading=-12.3456e-3 + 1e-6 * (k % 7)))
        st.feed.answers["readings.overview"] = {
            "time_s": [0.0, 3600.0, 7200.0],
            "low_kg": [0.0, None, -0.1],
            "high_kg": [0.001, None, -0.09],
        }
        before = "The bench in 34 min at rest: slow noise 0.5 mg, drift 0.1 mg a minute; no jumps."
        st.feed.say(
            "log", {"id": 90, "run": None, "utc": S.UTC.format(9, 0), "kind": "noise", "text": before}
        )
        await st.press("2")
        await st.until(lambda: "mg from −12.3456 g" in st.text())
        assert "breathing every 3.7 s" in st.text()
        await st.until(lambda: "The bench in 34 min at rest" in st.text())
        await st.press("t")
        await st.until(lambda: "against minutes" in st.text())
        assert st.feed.asked("readings.overview")[0]["run"] == 12
        assert 0 < st.feed.asked("readings.overview")[0]["slots"] < 1000
        await st.press("t")
        await st.until(lambda: "mg from" in st.text())
        await st.press("r")
        assert len(st.app.snapshot.trace) == 0


async def test_the_trace_begins_where_the_load_was_changed_last() -> None:
    """Readings of 12 g less are no part of it: the scale is that of the noise, 3 mg."""
    async with stage(size=(120, 40)) as st:
        for k in range(160):
            reading = (-24e-3 if k < 60 else -12.3456e-3) + 1e-6 * (k % 4)
            st.feed.say("live", S.live_at(101.0 + k / 10, reading=reading))
        await st.until(lambda: len(st.app.snapshot.trace) > 150)
        await st.press("2")
        await st.until(lambda: "last 10 s" in st.text() and "┫" in st.text().split("┗")[0])
        trace = st.text().split("┗")[0]
        labels = [line.split("┫")[0].strip() for line in trace.splitlines() if "┫" in line]
        assert any(labels)
        assert all(abs(float(label.replace("−", "-"))) < 10 for label in labels if label)


def test_a_change_of_load_is_no_unsteadiness() -> None:
    """White noise of 1 mg (numpy's generator) under one load, after another: 1 mg is what is found."""
    import numpy as np

    from weighloop.tui.state.compute import NotYet, present_load, steady_look

    noise = 1e-6 * np.random.default_rng(7).standard_normal(800)
    trace = [(k / 10, (-50e-3 if k < 200 else -12e-3) + x) for k, x in enumerate(noise.tolist())]
    assert present_load(trace, 1e-6) == trace[200:]
    look = steady_look(trace, 1e-6)
    # Allan deviation of white noise at one interval is its standard deviation (NIST SP 1065, table 2).
    assert look.allan[1][0] == pytest.approx(1.0, rel=0.15)
    assert len(look.advice) > 0
    assert not any("riser" in words for words in look.advice)  # a digit of noise is nobody's fault
    assert look.past.startswith("in 1 min at rest: slow noise")
    restless = steady_look([(t, x * 5) for t, x in trace[200:]], 1e-6)
    assert any("riser" in words for words in restless.advice)
    with pytest.raises(NotYet):
        steady_look(trace[:250], 1e-6)


async def test_cautions_come_once_and_name_each_danger() -> None:
    first = S.snapshot(None)
    async with stage(first, cautions=None) as st:
        await st.until(lambda: "Before you begin" in st.text())
        text = " ".join(st.text().split())
        for danger in ("Pinching", "Shattering", "Pacemakers", "Cards", "Moving lift", "Emergency stop"):
            assert danger in text
        assert "local codes" in text
        await st.press("enter")
        await st.until(cautions.were_read)
    async with stage(first, cautions=None) as st:
        await st.still()
        assert "Before you begin" not in st.text()
        await st.press("5", "c")
        await st.until(lambda: "Before you begin" in st.text())


@pytest.mark.costly
async def test_every_key_has_its_click_on_the_help_page() -> None:
    async with stage(S.snapshot(S.run_at(), S.live_at(100.0)), size=(120, 60)) as st:
        theme = st.app.theme
        for words, done in (
            ("Copy the live reading", lambda: st.app.clipboard == "-12.3456"),
            ("Change between light and dark", lambda: st.app.theme != theme),
            ("Hold the run; nothing moves", lambda: st.feed.asked("run.hold")),
            ("Take the reading at this gap", lambda: st.feed.asked("run.repeat")),
            ("The runs in the store", lambda: st.app.current_mode == "runs"),
        ):
            await click(st, "Help")
            await st.until(lambda words=words: words in st.text())
            await click(st, words)
            await st.until(done)


@pytest.mark.costly
@pytest.mark.usefixtures("scripted_analysis")
async def test_readings_axes_and_lists_take_clicks() -> None:
    async with stage(S.snapshot(S.run_at(60), S.live_at(100.0)), size=(120, 40)) as st:
        await st.pilot.click("#far-digits")
        await st.until(lambda: st.app.clipboard == "-12.3456")
        await click(st, "M against applied")
        await st.until(lambda: "pull, g, against" in st.text())
        st.feed.answers["runs.list"] = [S.run_line(k, f"WP-07-{k}") for k in (3, 12)]
        st.feed.answers["runs.get"] = lambda run: finished(run)
        await click(st, "4 Runs")
        await st.until(lambda: "WP-07-12" in st.text())
        await click(st, "Mark")
        await st.until(lambda: "1 marked" in st.text())
        await click(st, "WP-07-3")
        await click(st, "WP-07-3")  # the first goes there, the second opens
        await st.until(lambda: st.app.current_mode == "figures")
        assert {"run": 3} in st.feed.asked("runs.get")


@pytest.mark.costly
async def test_help_names_every_key_of_its_view() -> None:
    async with stage(S.snapshot(None), size=(120, 60)) as st:
        for digit, place in enumerate(("run", "steadiness", "figures", "runs", "bench"), 1):
            await st.press(str(digit), "question_mark")
            await st.until(lambda: len(st.app.screen_stack) == 2)
            text = " ".join(st.text().split())
            for key in (*KEYS[place], *KEYS["everywhere"]):
                assert key.sentence.split(",")[0][:40] in text
            await st.press("escape")
            assert len(st.app.screen_stack) == 1


async def test_every_key_has_an_action_behind_it() -> None:
    async with stage(S.snapshot(None)) as st:
        for place, keys in KEYS.items():
            if place != "everywhere":
                await st.app.action_view(place)
                await st.pilot.pause()
            for key in keys:
                name = f"action_{key.action.partition('(')[0]}"
                assert hasattr(st.app, name) or hasattr(st.app.screen, name), (place, key)


async def test_light_and_dark_change_places() -> None:
    async with stage() as st:
        dark = st.app.theme
        await st.press("l")
        assert st.app.theme != dark
        await st.press("l")
        assert st.app.theme == dark


def test_budget_bars_are_as_long_as_their_shares() -> None:
    text = bars("by input", [("contact gap", 0.75), ("readings", 0.25)], 60, 4).plain.splitlines()
    assert text[1].count("█") == pytest.approx(3 * text[2].count("█"), abs=2)
    assert "75 %" in text[1]
    many = bars("by input", [(f"input {k}", 0.1) for k in range(10)], 60, 5).plain.splitlines()
    assert len(many) == 5
    assert "7 more" in many[-1]  # what has no room is summed, never hidden
    assert "70 %" in many[-1]


async def test_figures_take_all_trials_at_once_where_the_run_stands_still(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """While a run goes on they wait for their share of the time; its end does not wait."""
    of: list[str] = []
    monkeypatch.setattr(figures_view, "analyse_run", lambda run: of.append(run["state"]) or result(run))
    async with stage(S.snapshot(S.run_at(38))) as st:
        await st.press("3")
        await st.until(lambda: "remanence" in st.text())
        st.feed.say("run", S.run_at(39))
        await st.pilot.pause(1.5)
        assert of == ["running"]
        st.feed.say("run", S.run_at(1000, state="finished"))
        await st.until(lambda: "still being weighed" not in st.text())
        assert of == ["running", "finished"]


async def test_figures_that_take_long_are_not_begun_twice(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(figures_view, "EVERY_S", 0.0)
    begun: list[int] = []
    done = threading.Event()

    def slowly(run: Any) -> Any:
        begun.append(len(run["points"]))
        done.wait(200)
        return result(run)

    monkeypatch.setattr(figures_view, "analyse_run", slowly)
    async with stage(S.snapshot(S.run_at(38))) as st:
        await st.press("3")
        await st.until(lambda: begun)
        for more in range(39, 42):
            st.feed.say("run", S.run_at(more))
            await st.pilot.pause(0.5)
        assert len(begun) == 1
        done.set()
        await st.until(lambda: "remanence" in st.text())
