"""A list of runs with an end to it, and runs with a turner, on the virtual bench. No outside source."""

from __future__ import annotations

import re
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from typing import Any

from tests.support.bench.virtual_bench import BENCH_TEXT, TURNER, VirtualBench
from weighloop.daemon.control.queue import RunRequest
from weighloop.daemon.procedure import events
from weighloop.daemon.procedure.plan import make_plan
from weighloop.daemon.procedure.run import Series, edit_of
from weighloop.drivers.device import DeviceState

TEXT = BENCH_TEXT.format(ladder="lift") + TURNER
REQUEST = RunRequest(make_plan(TEXT, 3), TEXT, "test", unattended=True)


def begun(loops: int, **ends: Any) -> VirtualBench:
    bench = VirtualBench()
    for _ in range(loops):
        bench.controller.add_run(replace(REQUEST, series=Series(1, **ends)))
    return bench


def states(bench: VirtualBench) -> list[tuple[str, str]]:
    return [(line["state"], line["why"]) for line in bench.store.runs()]


def until_all_ended(bench: VirtualBench) -> None:
    bench.until(lambda: all(state in ("finished", "stopped") for state, _ in states(bench)), 3600)


def test_one_run_follows_the_other_without_hands() -> None:
    bench = begun(2)
    until_all_ended(bench)
    assert [state for state, _ in states(bench)] == ["finished", "finished"]
    assert "turn" in bench.mover.moves
    assert bench.run is not None
    assert [e.text for e in bench.store.events(1) if e.kind == "started"] == ["Started. Nobody is needed."]
    assert min(bench.turns) >= 45e-3
    zeros = bench.store.record(1).zeros
    assert len(zeros) == 4  # before the passages, twice between them, and after
    assert all(abs(zero.value) < 2e-6 for zero in zeros)


def test_a_run_that_waits_is_renamed_and_begins_under_its_new_name() -> None:
    bench = begun(2)
    bench.until(lambda: bench.run is not None and bench.run.done > 2)
    kind, text, data = edit_of(bench.store.record(2), "rename", "WP-07-2")
    bench.controller.edit(kind, text, data, run=2)
    bench.controller.edit("note", "the chipped one", {}, run=2)
    bench.advance(1)
    assert bench.store.record(2).state == "planned"
    assert [line["sample"] for line in bench.store.runs()] == ["WP-07-1", "WP-07-2"]
    bench.until(lambda: bench.run is not None and bench.run.id == 2)
    assert bench.run is not None
    assert (bench.run.sample, bench.run.notes) == ("WP-07-2", ("the chipped one",))
    until_all_ended(bench)
    assert (bench.store.record(1).sample, bench.store.record(2).sample) == ("WP-07-1", "WP-07-2")


def test_after_so_many_holds_the_rest_is_not_begun_and_the_one_under_way_is_stopped() -> None:
    bench = begun(3, most_held=2)
    for _ in range(2):
        bench.until(lambda: bench.run is not None and bench.run.state == "running" and bench.run.done > 3)
        bench.silent = True
        bench.controller.watch.balance_is(DeviceState.LOST, "the port failed")
        bench.advance(30)
        bench.silent = False
        bench.controller.watch.balance_is(DeviceState.READY, "speaks status-line")
        bench.advance(30)
    until_all_ended(bench)
    assert [state for state, _ in states(bench)] == ["stopped"] * 3
    assert all("held 2 times" in why for _, why in states(bench))
    bench.advance(60)
    assert bench.height == bench.travel


def test_what_would_not_be_done_by_the_deadline_is_not_begun() -> None:
    soon = (datetime.now(UTC) + timedelta(seconds=60)).isoformat(timespec="milliseconds")
    bench = begun(2, deadline_utc=soon.replace("+00:00", "Z"))
    bench.advance(1)
    assert [why for _, why in states(bench)] == ["it would not be done before the deadline"] * 2


def test_a_zero_that_wandered_ends_the_series() -> None:
    bench = begun(2, most_drift_kg=5e-6)
    bench.until(lambda: bench.run is not None and bench.run.done > 8)
    bench.offset = 30e-6  # found by the pairs between and after the passages
    until_all_ended(bench)
    (first, _), (second, why) = states(bench)
    assert (first, second) == ("finished", "stopped")
    assert "the zero moved by" in why


def test_without_a_turner_the_run_says_beforehand_when_somebody_is_needed() -> None:
    bench = VirtualBench()
    bench.start("lift", points=3)
    (text,) = (e.text for e in bench.store.events(1) if e.kind == "started")
    assert re.fullmatch(
        r"Started\. Somebody is needed at about (\d\d:\d\d \(turn the sample over\), ){2}"
        r"\d\d:\d\d \(take the sample off\)\.",
        text,
    )


def test_readings_at_the_far_end_need_hands_for_turning_only() -> None:
    bench = VirtualBench()
    bench.start("lift", points=3, zeros="far")
    codes = []
    while bench.run is None or bench.run.state in ("planned", "running"):
        if bench.action()["needs_confirm"]:
            codes.append(bench.action()["text"])
        bench.person()
        bench.advance(0.5)
    assert bench.run.state == "finished"
    assert [text.split(" ")[0] for text in codes] == ["Put", "Take", "Take"]
    assert all("turn it over and put it on again" in text for text in codes[1:])
    used = [p for p in bench.run.points if p["set_aside"] is None]
    assert {p["kind"] for p in used} == {"point"}
    assert len(used) == len([s for s in bench.run.plan if s["kind"] == "point"])


def test_no_run_begins_on_a_full_disk() -> None:
    bench = VirtualBench()
    bench.controller.happen(events.Trouble("disk", "the disk is full"))
    bench.advance(0.1)
    bench.controller.add_run(REQUEST)
    bench.advance(5)
    assert states(bench)[0][0] == "planned"
    bench.controller.happen(events.TroubleOver("disk"))
    until_all_ended(bench)
    assert states(bench)[0][0] == "finished"


def test_the_line_and_what_was_held_come_back_with_the_store() -> None:
    bench = begun(3, most_held=4)
    bench.until(lambda: bench.run is not None and bench.run.state == "running" and bench.run.done > 3)
    bench.controller.happen(events.BalanceGone("the port failed"))
    bench.advance(20)
    queue = VirtualBench().controller.queue
    queue.take_up([bench.store.record(n) for n in (2, 3)], [1], bench.store.record)
    assert [run.id for run in queue.waiting] == [2, 3]
    held = bench.store.record(1)
    assert (held.holds, held.series) == (1, Series(1, most_held=4))
    assert queue.not_begun() == []
    queue.follow(replace(held, holds=4))
    assert [number for number, _ in queue.not_begun()] == [2, 3]
