"""The form for a new run and the bench file it writes."""

from __future__ import annotations

import tomllib
from datetime import datetime
from pathlib import Path
from typing import Any

import pytest
from textual import events
from textual.widgets import Input, Select, Static

import tests.support.screen.scripted_daemon as S
from tests.support.screen.screen_driver import Stage, click, stage
from weighloop.analysis.files.bench_file import parse_bench
from weighloop.daemon.protocol import ERROR_BAD_INPUT
from weighloop.daemon.server.parameters import checked
from weighloop.daemon.server.starting import OWN, entries_of
from weighloop.tui import run_form
from weighloop.tui.bench_form import FIELDS, bench_text, holds, next_name, values_of, write_bench
from weighloop.tui.format import NONE
from weighloop.tui.screens import new_run
from weighloop.tui.screens.new_run import FormLine, NewRun
from weighloop.tui.state.follower import CallRefused

PLAN = S.plan_answer("only 18 gaps")


@pytest.fixture(autouse=True)
def quick_fingers(monkeypatch: pytest.MonkeyPatch) -> None:
    """The plan is asked for as soon as nothing is typed, not only when a person pauses."""
    monkeypatch.setattr(new_run, "QUIET_S", 0.05)


@pytest.mark.parametrize("sample", ["cylinder", "block", "sphere", "spheroid"])
@pytest.mark.parametrize("magnet", ["cylinder", "block", "ring"])
@pytest.mark.parametrize("ladder", ["lift", "spacers"])
def test_every_choice_of_the_form_makes_a_sound_bench_file(sample: str, magnet: str, ladder: str) -> None:
    values = {field.key: field.default for field in FIELDS}
    values |= {"sample.shape": sample, "reference_magnet.shape": magnet, "gap.ladder": ladder}
    bench = parse_bench(bench_text(values))
    assert (bench.sample.shape, bench.reference_magnet.shape, bench.gap.ladder) == (sample, magnet, ladder)
    assert (bench.lift_port is None) == (ladder == "spacers")


def test_the_defaults_read_as_the_public_example() -> None:
    bench = parse_bench(bench_text({field.key: field.default for field in FIELDS}))
    assert bench.reference_magnet.remanence.value == pytest.approx(1.32)
    assert bench.sample.diameter is not None
    assert bench.sample.diameter.u == pytest.approx(0.02e-3)
    assert bench.balance.capacity == pytest.approx(0.22)


def test_an_earlier_bench_file_comes_back_through_the_form_whole() -> None:
    base = S.BENCH.format(ladder="spacers").replace(
        "[sample]", 'recoil_permeability = "1.05 +/- 0.02"\n\n[sample]'
    )
    again = tomllib.loads(bench_text(values_of(base), base))
    wanted = tomllib.loads(base)
    del wanted["lift"]  # a ladder of spacers has none
    assert again == wanted


def test_odd_names_are_still_toml() -> None:
    values = {field.key: field.default for field in FIELDS} | {"sample.name": 'pump "B"\\ Ø 6'}
    assert parse_bench(bench_text(values)).sample.name == 'pump "B"\\ Ø 6'


@pytest.mark.parametrize(
    ("name", "after"), [("WP-07-3", "WP-07-4"), ("WP-07-09", "WP-07-10"), ("disc", "disc"), ("WP-9", "WP-10")]
)
def test_the_next_sample_of_a_series(name: str, after: str) -> None:
    assert next_name(name) == after


def test_a_kept_bench_file_is_never_overwritten_by_another(tmp_path: Path) -> None:
    first, second = write_bench("a = 1\n", "WP/07"), write_bench("a = 2\n", "WP/07")
    assert first.read_text() == "a = 1\n"
    assert second.read_text() == "a = 2\n"
    assert write_bench("a = 1\n", "WP/07") == first
    assert tmp_path in first.parents


def form(st: Stage) -> NewRun:
    assert isinstance(st.app.screen, NewRun)
    return st.app.screen


async def open_form(st: Stage, plan: dict[str, Any] = PLAN) -> NewRun:
    st.feed.answers["run.plan"] = plan
    await st.press("w")
    await st.until(lambda: isinstance(st.app.screen, NewRun))
    return form(st)


@pytest.mark.costly
async def test_the_form_takes_over_the_bench_before_and_starts_the_run() -> None:
    run = S.run_at(1000, state="finished")
    async with stage(S.snapshot(run)) as st:
        await open_form(st)
        await st.until(lambda: "pull up to 118 g" in st.text())
        assert "about 25 min" in st.text()
        assert "! only 18 gaps" in st.text()
        assert "WP-07-4" in st.text()
        assert "uncertainty of M: 0.12 kA/m at the closest gap, 1.3 kA/m at the farthest" in st.text()
        assert st.feed.asked("run.plan")[0]["target_u_kg"] == pytest.approx(2e-6)
        await st.press("ctrl+s")
        await st.until(lambda: st.feed.asked("run.start"))
        await st.until(lambda: len(st.app.screen_stack) == 1)
        asked = st.feed.asked("run.start")[0]
        assert asked["points"] == 22
        assert asked["target_u_kg"] == pytest.approx(2e-6)
        assert asked["name"] == "WP-07-4"
        assert asked["hands_free"] is False  # a lift's bench
        bench = parse_bench(asked["bench_text"])
        assert bench.sample.name == "WP-07-4"
        assert bench.sample.mass is not None
        assert bench.sample.mass.value == pytest.approx(412e-6)  # taken over
        kept = sorted(Path(write_bench(asked["bench_text"], "WP-07-4")).parent.iterdir())
        assert [path.name for path in kept] == ["WP-07-4.toml"]


@pytest.mark.costly
async def test_an_uncertainty_of_m_that_is_not_known_is_not_made_up() -> None:
    untold = {name: value for name, value in PLAN.items() if name != "expected_u_M_A_per_m"}
    async with stage(S.snapshot(None)) as st:
        screen = await open_form(st, untold | {"expected_u_M_A_per_m": [None, 1300.0]})
        await st.until(
            lambda: (
                f"uncertainty of M: {NONE} kA/m at the closest gap, 1.3 kA/m" in " ".join(st.text().split())
            )
        )
        # A daemon that has been running since before it told; another plan, so that it is asked for again.
        st.feed.answers["run.plan"] = untold | {"seconds": 60.0 * 31}
        next(i for i in screen.query(Input) if i.name == "run.points").value = "23"
        await st.until(lambda: "about 31 min" in st.text())
        assert "uncertainty of M" not in st.text()


async def test_the_plan_is_asked_for_as_soon_as_the_form_is_there(monkeypatch: pytest.MonkeyPatch) -> None:
    """The daemon loads its libraries with the first: it has done so when the form is filled in."""
    monkeypatch.setattr(new_run, "QUIET_S", 1e6)
    async with stage(S.snapshot(None)) as st:
        await open_form(st)
        await st.until(lambda: "pull up to 118 g" in st.text())
        assert len(st.feed.asked("run.plan")) == 1


@pytest.mark.costly
async def test_typing_is_taken_over_and_only_fields_that_hold_are_shown() -> None:
    async with stage(S.snapshot(None)) as st:
        screen = await open_form(st)
        await st.press(*"WP-09-1")
        assert screen.values["sample.name"] == "WP-09-1"
        # As over a slow line: an editing key and what is typed after it, before the screen has drawn either.
        gaps = next(i for i in screen.query(Input) if i.name == "run.points")
        gaps.focus()
        await st.pilot.pause()
        for key, character in (("end", None), ("backspace", None), ("3", "3"), ("home", None), ("1", "1")):
            st.app.post_message(events.Key(key, character))
        await st.until(lambda: gaps.value == "123")
        shape = next(s for s in screen.query(Select) if s.name == "sample.shape")
        shape.value = "sphere"
        await st.pilot.pause()
        await st.pilot.pause()
        shown = {line.field.key for line in screen.query("FormLine") if line.display}  # pyright: ignore
        assert "sample.diameter" in shown
        assert "sample.height" not in shown
        assert all(
            key.startswith("run.") or holds(field, screen.values)
            for key, field in ((f.key, f) for f in FIELDS if f.key in shown)
        )
        # The pages are turned by keys, each with the first of its fields at hand.
        seen = []
        for _ in range(4):
            await st.press("pagedown")
            seen.append(st.app.focused.name if st.app.focused is not None else None)
        assert seen == ["reference_magnet.shape", "balance.port", "run.zeros", "sample.name"]
        await st.press("pageup")
        assert st.app.focused is not None
        assert st.app.focused.name == "run.zeros"


@pytest.mark.costly
async def test_what_the_daemon_refuses_is_said_and_nothing_starts() -> None:
    def refuse(**params: Any) -> Any:
        raise CallRefused(ERROR_BAD_INPUT, "sample.diameter: '6 kg'; expected a length")

    async with stage(S.snapshot(None)) as st:
        await open_form(st)
        st.feed.answers["run.plan"] = refuse
        screen = form(st)
        diameter = next(i for i in screen.query(Input) if i.name == "sample.diameter")
        diameter.value = "6 kg"
        await st.until(lambda: "! sample.diameter: '6 kg'" in st.text())
        assert [line.field.key for line in screen.query(FormLine) if line.has_class("fault")] == [
            "sample.diameter"
        ]
        (line,) = [line for line in screen.query(FormLine) if line.has_class("fault")]
        assert "expected a length" in str(line.query_one(".hint", Static).render())
        st.feed.answers["run.start"] = refuse
        await st.press("ctrl+s")
        await st.until(lambda: st.feed.asked("run.start"))
        assert isinstance(st.app.screen, NewRun)  # still there, to put it right


WRONG = (
    ("sample.name", "?", "looks like a command"),
    ("sample.name", "w", "looks like a command"),
    ("run.points", "1", "from 2 to 200"),
    ("run.points", "many", "from 2 to 200"),
    ("run.target", "2", "is not a mass"),
    ("run.target", "-2 mg", "is not a mass"),
    ("run.loops", "0", "from 1 to 1000"),
    ("run.deadline", "7 in the morning", "is no clock time"),
    ("run.not_before", "22", "is no clock time"),
    ("run.most_held", "often", "is not a whole number from 1"),
    ("run.most_drift", "20", "is not a mass such as"),
)


@pytest.mark.costly
async def test_wrong_numbers_are_named() -> None:
    async with stage(S.snapshot(None)) as st:
        screen = await open_form(st)
        outlook = screen.query_one("#outlook", Static)
        await st.until(lambda: "pull up to 118 g" in str(outlook.render()))
        await st.press("pageup")  # a page's fields stand once it was shown
        for key, value, word in WRONG:
            field = next(i for i in screen.query(Input) if i.name == key)
            good, field.value = field.value, value
            await st.until(lambda word=word: word in str(outlook.render()))
            await st.press("ctrl+s")
            assert st.feed.asked("run.start") == [], (key, value)
            field.value = good
            await st.until(lambda: "pull up to 118 g" in str(outlook.render()))


@pytest.mark.costly
async def test_a_list_of_unlike_runs_with_its_ends() -> None:
    async def fill(screen: NewRun, **values: str) -> None:
        wanted = {("sample." if key == "name" else "run.") + key: text for key, text in values.items()}
        for control in screen.query(Input):
            control.value = wanted.get(control.name or "", control.value)
        await st.until(lambda: wanted.items() <= screen.values.items())

    async with stage(S.snapshot(None)) as st:
        screen = await open_form(st)
        await st.press("pageup")  # a page's fields stand once it was shown
        await fill(screen, name="WP-07-4", loops="2")
        await st.press("ctrl+n")
        await st.until(lambda: "1  2 × WP-07-4, 22 gaps" in st.text())
        await fill(screen, points="many")
        await st.press("ctrl+n")  # not put on the list
        await st.until(lambda: "from 2 to 200" in st.text())
        await fill(screen, points="12", loops="30", not_before="22:00")
        await st.press("ctrl+n")
        await st.until(lambda: "2  30 × WP-07-4, 12 gaps, not before 22:00" in st.text())
        await fill(screen, points="few", loops="1", not_before="")
        await st.press("ctrl+n", "ctrl+b")  # on the list, and into the form again
        await st.until(lambda: "3  the run in this form" in st.text())
        assert screen.values["run.points"] == "few"
        await st.press("ctrl+n")
        await st.until(lambda: "3  WP-07-4, few" in st.text())
        await fill(screen, points="40", deadline="07:30", most_held="6", most_drift="50 mg")
        zeros = next(s for s in screen.query(Select) if s.name == "run.zeros")
        zeros.value = run_form.BY_HAND
        await st.until(lambda: screen.values["run.zeros"] == run_form.BY_HAND)
        await st.press("ctrl+s")
        await st.until(lambda: st.feed.asked("run.start"))
        (asked,) = st.feed.asked("run.start")
        found = [(run.get("points"), run["loops"], run["zeros"]) for run in asked["runs"]]
        assert found == [(22, 2, None), (12, 30, None), (None, 1, None), (40, 1, "hand")]
        at = [run["not_before_utc"] for run in asked["runs"]]
        assert (at[0], at[2]) == (None, None)
        assert datetime.fromisoformat(at[1]).hour == 22
        assert datetime.fromisoformat(asked["deadline_utc"]).strftime("%H:%M") == "07:30"
        assert (asked["most_held"], asked["most_drift_kg"]) == (6, pytest.approx(50e-6))
        assert asked["unattended"] is True
        for run in entries_of(checked("run.start", asked)):  # as the daemon reads it
            assert (run.get("points") is None) != (run.get("until") is None), {
                k: run.get(k) for k in ("points", "until")
            }
        for run in asked["runs"]:
            assert set(run) <= set(OWN)
            parse_bench(run["bench_text"])


@pytest.mark.costly
@pytest.mark.parametrize("size", [(80, 24), (120, 40)])
async def test_what_the_field_in_focus_costs_is_in_sight(size: tuple[int, int]) -> None:
    async with stage(S.snapshot(None), size=size) as st:
        await open_form(st)
        await st.until(lambda: "the uncertainties cost Mr 1.7 %, HcJ 1.2 %" in st.text())
        diameter = next(i for i in form(st).query(Input) if i.name == "sample.diameter")
        diameter.focus()
        await st.until(lambda: "this field's share 7, 0 %" in st.text())
        await st.press("pagedown")
        await st.until(lambda: "this field's share" not in st.text())


async def test_no_new_run_while_one_goes_on() -> None:
    async with stage() as st:
        await st.press("w")
        assert len(st.app.screen_stack) == 1
        assert " New" not in st.text().splitlines()[-1]


@pytest.mark.costly
async def test_a_bench_file_is_opened_and_a_missing_one_is_named(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(tmp_path)  # every letter of a path is a key press
    Path("b.toml").write_text(S.BENCH.format(ladder="spacers").replace("6.00 mm", "6.01 mm"))
    async with stage(S.snapshot(None)) as st:
        screen = await open_form(st)
        for place, said in (("none.toml", "cannot be read"), ("b.toml", "6.01 mm")):
            await st.press("ctrl+o")
            await st.until(lambda: "Path of the bench file" in st.text())
            await st.press(*place, "enter")
            await st.until(lambda said=said: said in st.text() and st.app.screen is screen)
        assert screen.values["gap.ladder"] == "spacers"
        assert parse_bench(screen.text()).gap.spacers == 30
        await st.press("ctrl+s")
        await st.until(lambda: st.feed.asked("run.start"))
        assert st.feed.asked("run.start")[0]["hands_free"] is True
        assert st.feed.asked("run.start")[0]["spacers_on_pan"] is True


@pytest.mark.slow
async def test_the_form_is_worked_by_the_mouse_alone() -> None:
    """Pages by their names, a choice by its list, the bench file, the start, and out again."""
    async with stage(S.snapshot(None, lift=False)) as st:
        screen = await open_form(st)
        await click(st, "Magnet, gap")
        await st.until(lambda: "remanence" in st.text())
        await click(st, "PgDn next page")
        await st.until(lambda: "dialect" in st.text())
        await click(st, "Sample")
        await st.until(lambda: "as on its bag" in st.text())
        await click(st, "cylinder")
        await st.until(lambda: "spheroid" in st.text())
        await click(st, "block")
        await st.until(lambda: screen.values["sample.shape"] == "block")
        await click(st, "^O bench file")
        await st.until(lambda: "Path of the bench file" in st.text())
        await click(st, "Esc: back")
        await st.until(lambda: st.app.screen is screen)
        await click(st, "Esc back")
        await st.until(lambda: len(st.app.screen_stack) == 1)
        await open_form(st)
        await st.until(lambda: "uncertainty of M" in st.text())  # the card grows once the plan is known
        await click(st, "^S start")
        await st.until(lambda: st.feed.asked("run.start"))
        await st.until(lambda: len(st.app.screen_stack) == 1)


async def test_the_form_begins_with_the_newest_run_of_the_store() -> None:
    async with stage(S.snapshot(None)) as st:
        st.feed.answers["runs.list"] = [S.run_line(3, "WP-07-3"), S.run_line(4, "WP-07-3")]
        st.feed.answers["runs.get"] = lambda run: {**S.run_at(1000, state="finished"), "id": run}
        screen = await open_form(st)
        assert st.feed.asked("runs.get") == [{"run": 4}]
        assert screen.values["sample.name"] == "WP-07-4"


async def test_without_any_run_the_form_begins_with_the_daemons_bench_file() -> None:
    first = S.snapshot(None)
    first["bench_text"] = S.BENCH.format(ladder="spacers").replace("WP-07-3", "WP-09-1")
    async with stage(first, size=(120, 40)) as st:
        await st.press("5")
        await st.until(lambda: 'name = "WP-09-1"' in st.text() and "✓ no faults" in st.text())
        screen = await open_form(st)
        assert screen.values["sample.name"] == "WP-09-1"
        assert screen.values["gap.ladder"] == "spacers"


async def test_without_any_run_the_form_begins_with_the_open_ports() -> None:
    first = S.snapshot(None, lift=False)
    first["balance"] = S.device("/dev/ttyUSB7")
    async with stage(first) as st:
        screen = await open_form(st)
        assert screen.values["balance.port"] == "/dev/ttyUSB7"
        assert screen.values["gap.ladder"] == "spacers"


@pytest.mark.parametrize(
    ("typed", "asked"), [("few", "readings cannot help"), ("HcJ 1 %, Mr 2 %", "HcJ 1 %, Mr 2 %")]
)
async def test_an_answer_may_be_asked_for_in_place_of_gaps(typed: str, asked: str) -> None:
    async with stage(S.snapshot(None)) as st:
        screen = await open_form(st)
        next(i for i in screen.query(Input) if i.name == "run.points").value = typed
        await st.until(lambda: any(one.get("until") == asked for one in st.feed.asked("run.plan")))
        assert "points" not in st.feed.asked("run.plan")[-1]
