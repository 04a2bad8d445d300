"""All that a person can say by taps, and that nothing is said, or read, by the way."""

from __future__ import annotations

from typing import Any

import pytest

from tests.support.virtual_bench import VirtualBench
from weighloop.daemon.acquisition.hands_free import CLOSES, UNSURE
from weighloop.daemon.acquisition.tap_menu import REMARKS
from weighloop.daemon.protocol import ActionCode


def bench_at(what: ActionCode, leg: int = 1, ladder: str = "spacers") -> VirtualBench:
    """A hands-free run that has just asked for ``what`` on a leg."""
    bench = VirtualBench()
    bench.offset = 5e-3
    bench.start(ladder, points=3, hands_free=True)

    def there() -> bool:
        step = bench.run.next_step if bench.run is not None else None
        return step is not None and step["leg"] >= leg and bench.action()["code"] == what

    bench.operate(stop=there)
    assert there()
    return bench


def said(bench: VirtualBench) -> Any:
    """What taps say now, as clients hear it."""
    return bench.controller.snapshot()["run"]["by_taps"]  # type: ignore[index]


def words(bench: VirtualBench) -> dict[int, str]:
    return {word["taps"]: word["text"] for word in said(bench)["words"]}


def tapped(bench: VirtualBench, *counts: int) -> None:
    for count in counts:
        bench.tap(count)


def pressed(bench: VirtualBench, *heights: float) -> None:
    """A row of presses so heavy, kg."""
    bench.advance(1.5)
    for height in heights:
        bench.pressed = height
        bench.advance(0.5)
        bench.pressed = 0.0
        bench.advance(0.7)
    bench.advance(1.0)


def events(bench: VirtualBench, kind: str) -> list[Any]:
    assert bench.run is not None
    return [event for event in bench.store.events(bench.run.id) if event.kind == kind]


def state(bench: VirtualBench) -> str:
    assert bench.run is not None
    return bench.run.state


def test_three_taps_open_the_list_of_what_can_be_said_now() -> None:
    bench = bench_at("remove-sample")
    assert words(bench) == {2: "done", 3: "something else"}
    assert not said(bench)["open"]
    tapped(bench, 3)
    spacers = bench.run.points[-1]["spacers"]  # type: ignore[union-attr]
    assert said(bench)["open"]
    assert words(bench) == {
        2: "hold the run",
        3: "read this gap once more",
        4: f"set the last reading ({spacers} spacers) aside",
        5: "write a note",
        6: "stop this run",
    }
    tapped(bench, 2)
    assert state(bench) == "held"
    tapped(bench, 3)
    assert words(bench)[2] == "go on"
    assert 3 in words(bench)
    tapped(bench, 2)
    assert state(bench) == "running"
    assert [event.data["taps"] for event in events(bench, "taps")] == [2, 2]


def test_the_list_closes_by_itself_and_a_number_that_is_not_on_it_closes_it() -> None:
    bench = bench_at("remove-sample")
    before = bench.store.events(bench.run.id)  # type: ignore[union-attr]
    action = bench.action()
    tapped(bench, 3)
    bench.advance(CLOSES - 4)
    assert said(bench)["open"]
    bench.advance(6)
    assert not said(bench)["open"]
    tapped(bench, 3, 7)
    assert not said(bench)["open"]
    tapped(bench, 3)
    bench.silent = True  # no readings: it closes even so
    bench.advance(CLOSES + 3)
    assert not said(bench)["open"]
    assert bench.action() == action
    assert bench.store.events(bench.run.id) == before  # type: ignore[union-attr]


def test_a_single_touch_leaves_the_list_open() -> None:
    bench = bench_at("remove-sample")
    tapped(bench, 3)
    bench.advance(CLOSES - 6)
    tapped(bench, 1)
    bench.advance(CLOSES - 6)
    assert said(bench)["open"]


@pytest.mark.parametrize("presses", [(0.03, 0.03, 0.008), (0.008, 0.03, 0.03)])
def test_a_person_hears_that_taps_were_not_clear(presses: tuple[float, ...]) -> None:
    """One of three is too light to be sure: that is told for a while, or until the next tap."""
    bench = bench_at("remove-sample")
    for _ in range(2):
        pressed(bench, *presses)
        assert said(bench)["unsure"]
        assert not said(bench)["open"]
    bench.advance(UNSURE + 1)
    assert not said(bench)["unsure"]
    pressed(bench, *presses)
    assert said(bench)["unsure"]
    tapped(bench, 3)
    assert not said(bench)["unsure"]
    assert said(bench)["open"]


def test_a_single_touch_is_not_asked_about() -> None:
    bench = bench_at("remove-sample")
    pressed(bench, 0.03)
    assert not said(bench)["unsure"]
    pressed(bench, 0.008)
    assert not said(bench)["unsure"]


@pytest.mark.parametrize("count", range(2, 2 + len(REMARKS)))
def test_a_reading_is_set_aside_with_a_reason_and_taken_back(count: int) -> None:
    bench = bench_at("remove-sample")
    number = bench.run.points[-1]["id"]  # type: ignore[union-attr]
    tapped(bench, 3, 4)
    assert words(bench) == dict(enumerate(REMARKS, 2))
    tapped(bench, count)
    assert bench.run.points[-1]["set_aside"] == REMARKS[count - 2]  # type: ignore[union-attr]
    (event,) = events(bench, "set-aside")
    assert event.data == {"point": number, "why": REMARKS[count - 2], "how": "by taps"}
    assert "(by taps)" in event.text
    tapped(bench, 3)
    assert words(bench)[4].startswith("use the last reading")
    tapped(bench, 4)
    assert bench.run.points[-1]["set_aside"] is None  # type: ignore[union-attr]


def test_a_gap_is_read_once_more() -> None:
    bench = bench_at("remove-sample")
    first = bench.run.points[-1]  # type: ignore[union-attr]
    tapped(bench, 3, 3)
    bench.until(lambda: bench.action()["code"] == "remove-sample", 60)
    old, new = bench.run.points[-2:]  # type: ignore[union-attr]
    assert (old["id"], old["set_aside"]) == (first["id"], "taken again")
    assert (new["spacers"], new["set_aside"]) == (first["spacers"], None)


def test_a_note_is_written_in_ready_words() -> None:
    bench = bench_at("set-spacers")
    tapped(bench, 3, 5, 4)
    (note,) = events(bench, "note")
    assert note.text == f"{REMARKS[2]} (by taps)"


def test_ending_the_run_asks_again() -> None:
    bench = bench_at("place-sample")
    for counts in ((3, 6, 2), (3, 6, 6)):  # no; and the same number once more is no yes
        tapped(bench, *counts)
        assert not said(bench)["open"]
        assert state(bench) == "running"
    tapped(bench, 3, 6, 4)
    assert state(bench) == "stopped"
    assert events(bench, "stopped")[0].data["why"] == "by taps"
    assert said(bench) is None  # nobody listens any more


def test_a_question_has_its_answers_beside_it() -> None:
    bench = bench_at("set-spacers")
    action = bench.action()
    bench.hands({**action, "spacers": action["spacers"] + 1})
    bench.say("confirm")
    bench.until(lambda: bench.action()["code"] == "question", 60)
    assert words(bench) == {3: "something else", 4: "once more", 5: "take as it is"}
    bench.advance(3 * CLOSES)
    assert 4 in words(bench)  # a question waits
    tapped(bench, 2)  # a late "done" is no answer
    assert bench.action()["code"] == "question"
    tapped(bench, 3)
    assert words(bench)[2] == "hold the run"
    tapped(bench, 7, 4)
    assert bench.action()["code"] == "set-spacers"
    bench.say("confirm")  # still one too many
    bench.until(lambda: bench.action()["code"] == "question", 60)
    zeros = len(events(bench, "zero"))
    tapped(bench, 5)
    assert len(events(bench, "zero")) == zeros + 1
    assert [event.text for event in events(bench, "taps")] == ["By taps: once more", "By taps: take as it is"]


def test_a_reading_too_noisy_is_answered_by_taps() -> None:
    bench = bench_at("set-spacers")
    bench.hands(bench.action())
    bench.noise = 400e-6
    bench.say("confirm")
    bench.until(lambda: state(bench) == "held", 400)
    assert words(bench) == {3: "something else", 4: "once more", 5: "take as it is"}
    bench.noise = 0.4e-6
    tapped(bench, 4)
    assert state(bench) == "running"
    bench.until(lambda: bench.action()["code"] == "place-sample", 115)  # it has to learn what is usual anew


def reading_under_way() -> VirtualBench:
    """A reading that takes some time, on a bench that has grown restless."""
    bench = bench_at("place-sample")
    bench.hands(bench.action())
    bench.noise = 5e-6
    bench.say("confirm")
    bench.advance(2.5)
    assert bench.action()["code"] == "wait-reading"
    return bench


def test_no_reading_is_taken_while_the_pan_is_tapped_or_the_list_is_open() -> None:
    bench = reading_under_way()
    assert bench.run is not None
    taken = len(bench.run.points)
    tapped(bench, 3)
    for count in (5, 1, 1, 1):  # the notes; then a touch now and then keeps the list open
        assert said(bench)["open"]
        bench.advance(CLOSES - 4)
        tapped(bench, count)
        assert len(bench.run.points) == taken
    assert said(bench)["open"]
    tapped(bench, 7)
    began = bench.clock.now() - 1.0
    assert len(events(bench, "note")) == 1
    bench.until(lambda: len(bench.run.points) > taken, 115)  # type: ignore[union-attr]
    point = bench.run.points[-1]
    assert point["time_s"] > began  # what was read before the taps has no part in it
    assert point["time_s"] - point["settled_in_s"] > began - 2.0
    assert abs(point["value_kg"] - bench.pull()) < 5 * point["u_kg"]


def test_a_strong_tap_in_a_reading_is_no_overload_of_the_bench() -> None:
    bench = reading_under_way()
    for _ in range(3):
        bench.forced = (None, "overload")
        bench.advance(0.5)
        bench.forced = None
        bench.advance(0.7)
    bench.advance(1.0)
    assert state(bench) == "running"
    assert said(bench)["open"]
    tapped(bench, 2)
    assert state(bench) == "held"
    assert bench.run.code == "asked"  # type: ignore[union-attr]


def test_an_overload_that_stays_is_one() -> None:
    bench = reading_under_way()
    bench.forced = (None, "overload")
    bench.advance(4.0)
    assert state(bench) == "held"
    assert bench.run.code == "over-capacity"  # type: ignore[union-attr]


def test_taps_that_began_before_it_was_asked_do_not_say_done() -> None:
    bench = bench_at("remove-sample")
    bench.advance(1.5)
    bench.pressed = 0.03
    bench.advance(0.5)
    bench.pressed = 0.0
    bench.say("confirm")  # by the key, between two taps
    bench.advance(0.6)
    assert bench.action()["code"] == "set-spacers"
    bench.pressed = 0.03
    bench.advance(0.5)
    bench.pressed = 0.0
    bench.advance(4)
    assert bench.action()["code"] == "set-spacers"
    bench.tap()
    assert bench.action()["code"] != "set-spacers"


def test_hands_at_work_while_the_list_is_open_are_seen_when_it_closes() -> None:
    bench = bench_at("remove-sample")
    tapped(bench, 3)
    bench.hands(bench.action())
    bench.advance(4)
    assert bench.action()["code"] == "remove-sample"
    bench.until(lambda: bench.action()["code"] != "remove-sample", CLOSES + 5)
    assert events(bench, "hands")[-1].data["how"] == "seen by the balance"


def test_what_happens_meanwhile_closes_the_list() -> None:
    bench = bench_at("remove-sample")
    tapped(bench, 3)
    bench.say("hold")
    assert not said(bench)["open"]
    tapped(bench, 2)
    assert state(bench) == "held"


def test_nobody_listens_without_hands_free() -> None:
    bench = VirtualBench()
    bench.start("spacers", points=3)
    bench.until(lambda: bench.action()["needs_confirm"])
    action = bench.action()
    tapped(bench, 2, 3, 2)
    assert said(bench) is None
    assert bench.action() == action
    assert state(bench) == "running"


def test_with_a_lift_no_word_moves_the_stage() -> None:
    bench = bench_at("place-sample", leg=0, ladder="lift")
    action, moves = bench.action(), list(bench.mover.moves)
    bench.hands(action)
    assert action["hint"] == ""
    assert words(bench) == {3: "something else"}
    tapped(bench, 2)
    assert bench.action() == action
    tapped(bench, 3)
    assert set(words(bench)) == {2, 5, 6}
    tapped(bench, 2)
    assert state(bench) == "held"
    tapped(bench, 3)
    assert set(words(bench)) == {5, 6}  # going on is for a key, with the hands away
    tapped(bench, 2)
    assert state(bench) == "held"
    assert bench.mover.moves == moves
