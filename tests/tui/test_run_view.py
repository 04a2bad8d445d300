"""The run view: every key does what it says; messages first."""

from __future__ import annotations

import re
import time
from typing import Any

import pytest
from textual.message import Message

import tests.support.screen.scripted_daemon as S
from tests.support.screen.screen_driver import click, stage
from weighloop.daemon.protocol import ERROR_NOT_IN_CONTROL, ERROR_NOT_POSSIBLE
from weighloop.tui.screens.run import RunView, magnetisation_dots
from weighloop.tui.state.follower import CallRefused
from weighloop.tui.state.messages import ActionDone, SnapshotChanged


def spacers_run(**more: Any) -> Any:
    act = S.action("set-spacers", "Set 17 spacers, the sample away.", True, spacers=17)
    return S.run_at(20, "spacers", action=more.pop("action", act), **more)


PLAIN_KEYS: tuple[tuple[str, str, dict[str, Any]], ...] = (
    ("enter", "run.confirm", {"choice": None, "code": "set-spacers"}),
    ("space", "run.confirm", {"choice": None, "code": "set-spacers"}),
    ("h", "run.hold", {"why": "held at the screen"}),
    ("r", "run.repeat", {}),
)


async def test_plain_keys_call_the_daemon_once() -> None:
    heard: list[Message] = []
    async with stage(S.snapshot(spacers_run(), S.live_at(100.0)), hear=heard.append) as st:
        for key, method, params in PLAIN_KEYS:
            heard.clear()
            st.feed.calls.clear()
            await st.press(key)
            await st.until(lambda: st.feed.calls)
            await st.until(lambda: any(isinstance(m, ActionDone) for m in heard))
            assert st.feed.calls == [(method, params)], key
            done = [m for m in heard if isinstance(m, ActionDone)]
            assert {(m.method, m.error) for m in done} == {(method, "")}


async def test_what_does_nothing_now_is_not_offered_and_does_nothing() -> None:
    """A held run goes on and nothing else; one under way is held and nothing else; Enter only where asked."""
    async with stage(size=(120, 40)) as st:
        bar = st.text().splitlines()[-1]
        assert "Hold" in bar
        assert not {"Go on", "Done", "New", "Report"} & set(re.findall(r"Go on|Done|New|Report", bar))
        await st.press("enter", "g", "w")
        assert st.feed.calls == []
        assert len(st.app.screen_stack) == 1
        st.feed.say("run", S.run_at(12, state="held", why="The stop button was pressed."))
        await st.until(lambda: "Go on" in st.text().splitlines()[-1])
        assert "Hold" not in st.text().splitlines()[-1]
        await st.press("h", "g")
        await st.until(lambda: st.feed.calls)
        assert st.feed.calls == [("run.go_on", {})]


async def test_stop_asks_first_and_no_is_the_answer_at_hand() -> None:
    async with stage() as st:
        await st.press("s")
        assert "Stop this run for good?" in st.text()
        await st.press("enter")  # the harmless button has the focus
        assert st.feed.calls == []
        await st.press("s", "y")
        await st.until(lambda: st.feed.asked("run.stop"))
        assert st.feed.asked("run.stop") == [{"why": "stopped at the screen"}]


async def test_a_question_gets_the_answer_that_was_chosen() -> None:
    ask = S.action(
        "question", "11 spacers look like 13. How many are there?", True, ["11", "13", "count again"]
    )
    async with stage(S.snapshot(spacers_run(action=ask), S.live_at(100.0))) as st:
        assert "QUESTION" in st.text()
        await st.press("enter", "up", "enter")  # the last answer is at hand
        await st.until(lambda: st.feed.calls)
        assert st.feed.calls == [("run.confirm", {"choice": "13", "code": "question"})]


async def test_a_question_that_is_left_is_not_answered() -> None:
    ask = S.action("question", "11 spacers look like 13. How many are there?", True, ["11", "13"])
    async with stage(S.snapshot(spacers_run(action=ask), S.live_at(100.0))) as st:
        await st.press("enter", "escape")
        assert st.feed.calls == []


async def test_a_reading_is_set_aside_with_a_reason_and_taken_back() -> None:
    run = S.run_at(10)
    async with stage(S.snapshot(run, S.live_at(100.0))) as st:
        await st.press("a", "down", "enter")  # the reading before the newest
        await st.press(*["backspace"] * len("touched"), *"bumped", "enter")
        await st.until(lambda: st.feed.calls)
        number = run["points"][-2]["id"]
        assert st.feed.calls == [("run.set_aside", {"point": number, "why": "bumped"})]
        st.feed.say("point", {**run["points"][-2], "set_aside": "bumped"})
        await st.until(lambda: st.app.snapshot.run["points"][-2]["set_aside"])  # pyright: ignore
        await st.press("a", "down", "enter")
        await st.until(lambda: len(st.feed.calls) == 2)
        assert st.feed.calls[-1] == ("run.set_aside", {"point": number, "why": None})


async def test_a_note_is_written_and_an_empty_one_is_not() -> None:
    async with stage() as st:
        await st.press("n", "enter")
        assert st.feed.calls == []
        await st.press("n", *"lid", "enter")
        await st.until(lambda: st.feed.calls)
        assert st.feed.calls == [("run.note", {"text": "lid"})]


async def test_views_do_not_change_under_a_question() -> None:
    async with stage() as st:
        await st.press("n", "2", "escape")
        assert st.app.current_mode == "run"
        await st.press("2")
        assert st.app.current_mode == "steadiness"


async def test_a_refusal_is_told_in_the_daemons_words() -> None:
    heard: list[Message] = []
    async with stage(hear=heard.append) as st:
        st.feed.refuse["run.repeat"] = CallRefused(ERROR_NOT_POSSIBLE, "the lift is moving: wait for it")
        await st.press("r")
        await st.until(lambda: any(isinstance(m, ActionDone) for m in heard))
        assert any(isinstance(m, ActionDone) and "lift is moving" in m.error for m in heard)
        await st.until(lambda: "the lift is moving" in st.text())


async def test_control_is_taken_where_it_is_free() -> None:
    async with stage() as st:
        st.feed.refuse["run.hold"] = CallRefused(ERROR_NOT_IN_CONTROL, "nobody is in control")
        await st.press("h")
        await st.until(lambda: len(st.feed.calls) == 3)
        assert [name for name, _ in st.feed.calls] == ["run.hold", "control.take", "run.hold"]
        assert st.feed.asked("control.take")[0]["force"] is False


async def test_control_is_taken_over_only_after_asking() -> None:
    async with stage() as st:
        for answer, forced in (("n", []), ("y", [True])):
            st.feed.calls.clear()
            st.feed.refuse["run.hold"] = CallRefused(ERROR_NOT_IN_CONTROL, "the screen in room 2 has control")
            st.feed.refuse["control.take"] = CallRefused(
                ERROR_NOT_IN_CONTROL, "the screen in room 2 has control"
            )
            await st.press("h")
            await st.until(lambda: "Take over?" in st.text())
            await st.press(answer)
            await st.until(lambda: len(st.app.screen_stack) == 1)
            await st.until(lambda forced=forced: len(st.feed.asked("control.take")) > len(forced))
            assert [c["force"] for c in st.feed.asked("control.take")][1:] == forced
        await st.until(lambda: len(st.feed.asked("run.hold")) == 2)


async def test_leaving_asks_nothing_of_the_daemon() -> None:
    async with stage() as st:
        await st.press("q")
        await st.until(lambda: not st.app.is_running)
    assert st.feed.calls == []


async def test_copy_gives_the_settled_level_with_a_plain_minus() -> None:
    async with stage() as st:
        await st.press("y")
        assert st.app.clipboard == "-12.3456"


async def test_the_sentence_the_count_and_the_digits_stand_on_the_screen() -> None:
    async with stage(S.snapshot(spacers_run(), S.live_at(100.0), lift=False)) as st:
        text = st.text()
        assert "NOW YOU" in text
        assert "Set 17 spacers" in text
        assert "about 6 s more" in text
        assert "field along the sample" in text
        assert "step 21 of 60" in text
        st.feed.say("live", S.live_at(101.0, -12.3e-3, accepted=True, reason="accepted", left=None))
        await st.until(lambda: "settled" in st.text())


TO_DO: tuple[tuple[Any, str], ...] = (
    ("remove-sample", "Take WP-07-3 off its holder."),
    ("place-sample", "Put WP-07-3 on its holder, marked face up."),
    ("turn-over", "Turn the magnet over, with its riser."),
    ("set-spacers", "Set 17 spacers, the sample away."),
)


async def test_what_a_person_has_to_do_stands_in_one_sentence() -> None:
    async with stage(S.snapshot(spacers_run(), S.live_at(100.0), lift=False)) as st:
        for code, says in TO_DO:
            act = S.action(code, says, True, spacers=17 if code == "set-spacers" else None)
            st.feed.say("run", spacers_run(action=act))
            await st.until(lambda says=says: says in st.text())
            await st.pilot.pause()
            banner = st.text().splitlines()[1:4]
            assert "NOW YOU, run 12, WP-07-3" in banner[0]
            assert says in banner[1]
            assert "Enter when done" in banner[2]
            # The count stands there in large digits too: 17, three lines high.
            assert ("▀█" in "".join(banner)) == (code == "set-spacers")


async def test_events_come_in_below_as_they_happen() -> None:
    async with stage() as st:
        for k, text in enumerate(("shim swapped", "The lift was homed.")):
            line = {
                "id": 90 + k,
                "run": 12,
                "utc": f"2026-03-04T10:0{k}:00+00:00",
                "kind": "note",
                "text": text,
            }
            st.feed.say("log", line)
            await st.until(lambda text=text: text in st.text())
        # The newest stands lowest, above the key row.
        assert [line.strip() for line in st.text().splitlines()[-3:-1]] == [
            "10:00:00 shim swapped",
            "10:01:00 The lift was homed.",
        ]


async def test_a_burst_of_readings_is_painted_at_most_five_times_a_second() -> None:
    heard: list[Message] = []
    async with stage(hear=heard.append) as st:
        await st.still()
        heard.clear()
        began = time.monotonic()
        for k in range(500):
            st.feed.say("live", S.live_at(101.0 + k / 100))
        await st.until(lambda: len(st.app.snapshot.trace) > 490)

        def painted() -> int:
            return len({id(m) for m in heard if isinstance(m, SnapshotChanged) and m.what == "live"})

        await st.until(lambda: painted() > 0)
        await st.pilot.pause(0.25)
        assert painted() <= 5 * (time.monotonic() - began) + 1


async def test_what_waits_is_told_in_the_run_states_words() -> None:
    async with stage(S.snapshot(S.run_at(12, state="held", why="The stop button was pressed."))) as st:
        assert "HELD" in st.text()
        assert "The stop button was pressed." in st.text()
        for state, said in (("finished", "all readings are taken"), ("stopped", "was stopped")):
            st.feed.say("run", S.run_at(12, state=state))
            await st.until(lambda said=said: said in st.text())
        st.feed.say("run", None)
        await st.until(lambda: "Nothing is being weighed." in st.text())


def test_magnetisation_of_what_is_taken_and_what_is_to_come() -> None:
    """The script's sample in closed form: a hyperbolic tangent in the internal field."""
    from weighloop.tui.state.compute import Magnetised, magnetisation

    run = S.run_at(38)
    found = magnetisation(run)
    taken = found.taken
    assert {p.row for p in taken} == {point["id"] for point in run["points"] if point["kind"] == "point"}
    for point in (p for p in taken if 60e3 < abs(p.H) < 180e3):
        # The script pulls by the gradient at the centre alone, which is a few percent off the mean.
        assert abs(point.M - S.magnetisation_at(point.H, point.leg in (1, 2))) < 0.07 * 300e3, point
    # A milligram weighs the more the weaker the gradient: bars grow with the gap.
    assert taken[0].u > 30 * max(taken, key=lambda p: p.H).u > 0
    # What a pull means at a step is the same for a reading that is newer, and for one still to come.
    _, coming = magnetisation_dots(run, found)
    assert len(coming) == sum(step["kind"] == "point" for step in run["steps"][38:])
    for dot in (d for d in coming if 60 < abs(d.x) < 180):
        assert abs(dot.y - 1e-3 * S.magnetisation_at(1e3 * dot.x, False)) < 0.07 * 300, dot
    newer, _ = magnetisation_dots(run, Magnetised([], [], found.per_pull))
    for dot, point in zip(newer, taken, strict=True):
        assert dot.y == pytest.approx(1e-3 * point.M, rel=1e-3, abs=0.5 + 4e-3 * point.u)


async def test_the_loop_is_of_magnetisation_and_the_pull_is_drawn_on_demand() -> None:
    async with stage(S.snapshot(S.run_at(60), S.live_at(100.0))) as st:
        await st.until(lambda: "M against applied field, both kA/m" in st.text())
        await st.press("m")
        assert "pull, g, against applied field" in st.text()
        await st.press("m")
        assert "M against applied field, both kA/m" in st.text()


def place_of(st: Any, sign: str) -> tuple[int, int] | None:
    """Column and line of a sign inside the plot's frame; None where it is not there."""
    frame = [(k, line) for k, line in enumerate(st.text().splitlines()) if "┃" in line or "┫" in line]
    return next(((line.index(sign), k) for k, line in frame if sign in line), None)


async def test_the_reading_under_way_stands_in_the_plot_and_moves_with_the_balance() -> None:
    run = S.run_at(38)
    step = run["steps"][38]
    expected = step["predicted_reading_kg"]
    assert expected is not None
    async with stage(S.snapshot(run, S.live_at(100.0, expected)), size=(120, 40)) as st:
        for k, drawn in enumerate(("M against applied field, both kA/m", "pull, g, against applied field")):
            await st.until(lambda drawn=drawn: drawn in st.text() and place_of(st, "◆"), 60)
            there = place_of(st, "◆")
            st.feed.say("live", S.live_at(101.0 + 10 * k, expected / 2))
            await st.until(lambda there=there: place_of(st, "◆") != there)
            moved = place_of(st, "◆")
            assert there is not None
            assert moved is not None
            # Same field, half the pull: half of the magnetisation too, nearer to the axis of zero.
            zero = next(k for k, line in enumerate(st.text().splitlines()) if line.lstrip().startswith("0 ┫"))
            assert moved[0] == there[0]
            assert abs(moved[1] - zero) == pytest.approx(abs(there[1] - zero) / 2, abs=1.1)
            assert abs(there[1] - zero) > 4
            st.feed.say("run", {**run, "action": S.action("wait-move", "The lift goes to 3.00 mm.")})
            await st.until(lambda: place_of(st, "◆") is None)
            st.feed.say("run", run)
            st.feed.say("live", S.live_at(105.0 + 10 * k, expected))
            await st.until(lambda there=there: place_of(st, "◆") == there)
            await st.press("m")


async def test_a_run_that_moves_on_does_not_lay_the_screen_out_again(monkeypatch: pytest.MonkeyPatch) -> None:
    """Laying out is what costs: it is for what takes more or less room than before."""
    count = []
    lay_out = RunView._refresh_layout
    monkeypatch.setattr(
        RunView, "_refresh_layout", lambda self, *a, **k: (count.append(1), lay_out(self, *a, **k))
    )
    async with stage(S.snapshot(S.run_at(38), S.live_at(100.0)), size=(120, 40)) as st:
        await st.until(lambda: "M against applied field" in st.text())
        await st.still()
        count.clear()
        for done in range(39, 44):
            st.feed.say(
                "run", S.run_at(done, action=S.action("wait-reading", f"Reading {done} is being taken."))
            )
            st.feed.say("live", S.live_at(100.0 + done, -12e-3, left=45.0 - done))
            await st.until(lambda done=done: f"Reading {done} is" in st.text())
            await st.until(lambda done=done: f"about {45 - done} s more" in st.text())
        assert "step 44 of" in st.text()
        assert count == []


@pytest.mark.costly
async def test_everything_has_its_click() -> None:
    """Views by their names, actions by the key row, answers by their buttons."""
    async with stage(S.snapshot(spacers_run(), S.live_at(100.0))) as st:
        await click(st, "Hold")
        await st.until(lambda: st.feed.asked("run.hold"))
        await click(st, "Stop")
        await st.until(lambda: "Stop this run for good?" in st.text())
        await click(st, "y  stop the run")
        await st.until(lambda: st.feed.asked("run.stop"))
        await click(st, "Done")
        await st.until(lambda: st.feed.asked("run.confirm"))
        await click(st, "Aside")
        await st.until(lambda: "Which reading?" in st.text())
        lines = st.text().splitlines()
        row = next(k for k, line in enumerate(lines) if "Which reading?" in line) + 3
        await st.pilot.click(offset=(lines[row].index(" g ±"), row))
        await st.until(lambda: "Why must it not be used?" in st.text())
        await st.press("enter")
        await st.until(lambda: st.feed.asked("run.set_aside"))
        await click(st, "2 Steady")
        await st.until(lambda: st.app.current_mode == "steadiness")
