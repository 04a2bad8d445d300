"""The screens of other programmes than the loop: chosen in the form, drawn while they run and when they are
over. What they look like stands in the snapshots."""

from __future__ import annotations

import numpy as np
import pytest
from textual.widgets import Input, Select

import tests.support.screen.scripted_daemon as S
from tests.support.examples import pairs
from tests.support.screen.screen_driver import Stage, stage
from tests.support.screen.screens import any_result
from tests.support.screen.scripted_programmes import BENCH, FOUND, found_of, programme_result, programme_run
from tests.support.screen.scripted_results import finished
from weighloop.tui.plan_words import cost_line
from weighloop.tui.screens import figures as figures_view
from weighloop.tui.screens import run as run_view
from weighloop.tui.screens.new_run import NewRun
from weighloop.tui.state.compute import bench_costs
from weighloop.tui.widgets.dot_sheet import SHADES
from weighloop.tui.widgets.picture import Picture
from weighloop.tui.widgets.programme_curves import programme_pictures
from weighloop.tui.widgets.ticks import PlainTicks


@pytest.fixture
def scripted_analysis(monkeypatch: pytest.MonkeyPatch) -> None:
    for module in (figures_view, run_view):
        monkeypatch.setattr(module, "analyse_run", any_result)


def pictures(name: str) -> list[Picture]:
    return programme_pictures(programme_result(programme_run(name)))


async def begun(name: str, st: Stage) -> None:
    await st.press("3")
    await st.until(lambda: pictures(name)[0].axes in st.text())


@pytest.mark.usefixtures("scripted_analysis")
@pytest.mark.parametrize(("size", "name"), pairs([(80, 24), (120, 40)], list(FOUND)))
async def test_every_picture_of_a_programme_is_a_key_away(name: str, size: tuple[int, int]) -> None:
    of = pictures(name)
    async with stage(S.snapshot(programme_run(name, state="finished")), size=size) as st:
        await begun(name, st)
        for k, picture in enumerate(of):
            await st.until(lambda picture=picture: picture.axes in st.text())
            text = st.text()
            assert picture.legend in text  # nothing is cut
            other = of[(k + 1) % len(of)].of
            assert (f"v: {other}" in text) == (len(of) > 1)
            await st.press("v")
        await st.until(lambda: of[0].axes in st.text())
        assert "no budget" not in st.text()


@pytest.mark.usefixtures("scripted_analysis")
async def test_a_loop_after_a_programme_has_its_budget_again() -> None:
    async with stage(S.snapshot(programme_run("recoil", state="finished")), size=(120, 40)) as st:
        await begun("recoil", st)
        await st.press("v")
        st.feed.say("run", finished(22))
        await st.until(lambda: "± of saturation" in st.text() or "saturation: no budget" in st.text())
        assert "readings on the bench file" in st.text()
        assert "v Other plot" not in st.text()


@pytest.mark.usefixtures("scripted_analysis")
async def test_the_map_is_darkest_where_the_density_is_largest() -> None:
    async with stage(S.snapshot(programme_run("reversal", state="finished")), size=(120, 40)) as st:
        await begun("reversal", st)
        await st.press("v")
        await st.until(lambda: SHADES[-1] * 3 in st.text())
        rows = [line for line in st.text().splitlines() if "┃" in line or "┫" in line]
        dark = [(line.count(SHADES[-1]), line.index(SHADES[-1])) for line in rows if SHADES[-1] in line]
        blank = [line for line in rows if not set(SHADES) & set(line)]
    assert dark
    assert blank  # where nothing is known nothing stands


def test_the_map_by_places() -> None:
    """Its own density, as far as it is known, at the places that it is of."""
    found = found_of("reversal")
    (shade,) = (p.shade for p in pictures("reversal") if p.shade is not None)
    up, down = (k.ravel() for k in np.meshgrid(found.fields, found.fields, indexing="ij"))
    seen = shade((up - down) / 2e3, (up + down) / 2e3)
    known = found.known.ravel()
    right = np.where(known, found.density.ravel() / found.density[found.known].max(), 0.0)
    assert seen == pytest.approx(right)
    assert shade(np.array([1e4]), np.array([0.0]))[0] == 0.0


def test_a_tick_at_nothing_has_no_sign() -> None:
    labels = PlainTicks().get_labels_for_ticks([-0.2, -0.1, -1e-17, 0.1])
    assert labels == ["−0.2", "−0.1", "0.0", "0.1"]


@pytest.mark.costly
async def test_a_programme_is_chosen_in_the_form_and_started() -> None:
    async with stage(S.snapshot(None)) as st:
        st.feed.answers["run.plan"] = S.plan_answer()
        await st.press("w")
        await st.until(lambda: "pull up to" in st.text())
        screen = st.app.screen
        assert isinstance(screen, NewRun)
        next(s for s in screen.query(Select) if s.name == "run.programme").value = "decay"
        await st.until(lambda: any(p.get("programme") == "decay" for p in st.feed.asked("run.plan")))
        await st.until(lambda: "one field held for hours" in st.text())
        points = next(i for i in screen.query(Input) if i.name == "run.points")
        points.value = "few"
        await st.until(lambda: "is of the loop alone" in st.text())
        points.value = "14"
        await st.until(lambda: screen.values["run.points"] == "14")
        await st.press("ctrl+s")
        await st.until(lambda: st.feed.asked("run.start"))
        (asked,) = st.feed.asked("run.start")
        assert (asked["programme"], asked["points"]) == ("decay", 14)


def test_what_is_expected_of_a_programme_is_computed_for_its_plan() -> None:
    """On the script's bench: each result by name with its unit, a decay's as a bound."""
    costs = bench_costs(BENCH, {"programme": "decay", "points": 8})
    assert [cost.printed for cost in costs] == ["S"]
    line = cost_line(costs, "")
    assert line.startswith("expected of a middling ferrite: S at most ")
    assert line.endswith(" A/m")
