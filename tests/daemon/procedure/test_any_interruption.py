"""Whatever breaks at whatever moment, mid-turn included: no reading is lost, none is recorded that was taken
elsewhere, the sample turns far out only, and the run ends.

The bench is on paper and keeps the sample's true way (tests.support.bench.paper_bench.py). The rules are the
project's own safety rules; no outside source.
"""

from __future__ import annotations

from functools import cache

import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st

from tests.support.bench.paper_bench import PaperBench, turner_plan
from tests.support.examples import examples, in_turn
from weighloop.daemon.procedure import events, machine
from weighloop.daemon.procedure.plan import RunPlan
from weighloop.daemon.procedure.run import LogEvent

FAULTS = ("power", "reset", "lift plug", "balance plug", "draught at its plug", "noise", "knock", "disk")


@cache
def plan() -> RunPlan:
    return turner_plan()


def walk(bench: PaperBench, faults: dict[int, tuple[str, float]], most: int = 3000) -> None:
    """One task after the other, a fault where one stands under the count; to the end or to a hold."""
    for count in range(most):
        if bench.run.state == "finished":
            return
        if count in faults:
            bench.breaks(*faults[count])
        elif not bench.ends():
            if bench.run.state != "held":
                raise AssertionError(f"nothing goes on: {bench.run.state}, {bench.stage}")
            bench.happen(events.TryAgain())  # ten minutes have gone by
            if bench.run.state == "held":
                return
    raise AssertionError(f"no end: {bench.stage}")


def sound(bench: PaperBench) -> None:
    assert bench.wrong == []
    assert bench.one_way() == []
    assert bench.zeros_hold() == []
    assert [p["id"] for p in bench.run.points] == bench.told
    assert bench.hands == 0


def whole(bench: PaperBench) -> None:
    """Every gap of every passage has one reading in use."""
    wanted = [(s["leg"], s["orientation"], s["height_m"]) for s in plan().steps if s["kind"] == "point"]
    used = [(p["leg"], p["orientation"], p["height_m"]) for p in bench.run.points if p["set_aside"] is None]
    assert set(wanted) <= set(used)


def test_nobody_is_needed_and_every_turn_is_made_far_out() -> None:
    bench = PaperBench(plan())
    walk(bench, {})
    sound(bench)
    whole(bench)
    assert bench.run.state == "finished"
    assert [p["set_aside"] for p in bench.run.points] == [None] * len(bench.run.points)


@pytest.mark.parametrize("fault", in_turn(FAULTS))
def test_at_every_moment_of_a_run_once(fault: str) -> None:
    length = sum(1 for _ in plan().steps) * 2 + 12
    for moment in range(length):
        for share in (0.02, 0.5, 0.98) if fault in ("power", "reset") else (0.5,):
            bench = PaperBench(plan())
            walk(bench, {moment: (fault, share)})
            sound(bench)
            assert bench.run.state == "finished", (moment, bench.run.why)
            whole(bench)


@settings(max_examples=examples(80))
@example({35: ("power", 0.5), 40: ("reset", 0.5)})  # the pair read afresh went with its branch
@example({26: ("knock", 0.5), 31: ("disk", 0.5)})  # a turn ended after its branch was begun again
@example({26: ("knock", 0.5), 31: ("reset", 0.5)})
@example({36: ("power", 0.5), 37: ("reset", 0.5)})  # the zero before it was read the other way up first
@given(
    st.dictionaries(
        st.integers(0, 150),
        st.tuples(st.sampled_from((*FAULTS, "lost steps")), st.floats(0.01, 0.99)),
        max_size=12,
    )
)
def test_many_faults_in_one_run(faults: dict[int, tuple[str, float]]) -> None:
    bench = PaperBench(plan())
    walk(bench, faults)
    sound(bench)
    if bench.run.state == "held":  # too often in one run: a person looks, and says go on
        assert bench.run.code == "lift"
        bench.happen(events.Asked("go-on"))
        walk(bench, {})
    assert bench.run.state == "finished"


@pytest.mark.parametrize("kind", ["fault", "button"])
def test_a_lift_that_was_stopped_waits_for_a_person(kind: str) -> None:
    for moment in range(3, 45, 7):
        bench = PaperBench(plan())
        for _ in range(moment):
            bench.ends()
        bench.happen(events.LiftVoid("stopped", kind))  # pyright: ignore[reportArgumentType]
        bench.known = False
        for _ in range(4):
            bench.ends()
            bench.happen(events.TryAgain())
            bench.happen(events.LiftBack())
            bench.happen(events.BalanceBack())
        assert bench.run.state == "held"
        bench.happen(events.Asked("go-on"))
        walk(bench, {})
        sound(bench)
        assert bench.run.state == "finished"


def test_attended_it_waits_after_a_power_cut() -> None:
    bench = PaperBench(plan(), unattended=False)
    for _ in range(20):
        bench.ends()
    bench.breaks("power")
    bench.happen(events.TryAgain())
    assert (bench.run.state, bench.run.code) == ("held", "restart")
    bench.happen(events.Asked("go-on"))
    walk(bench, {})
    sound(bench)
    whole(bench)


@pytest.mark.parametrize("kind", ["held", "point"])
def test_a_stop_waits_for_the_entry_that_is_being_written(kind: str) -> None:
    bench = PaperBench(plan())
    while bench.stage.task is None or bench.stage.task.kind != "read" or len(bench.told) < 3:
        bench.ends()
    happens = events.Asked("hold") if kind == "held" else _read(bench)
    run, stage, acts = machine.advance(bench.run, bench.stage, happens)
    entry = next(act for act in acts if isinstance(act, events.Record))
    assert entry.kind == kind
    run, stage, acts = machine.advance(run, stage, events.Asked("stop", "enough"))
    assert acts == []  # neither refused nor done before the entry stands
    event = LogEvent(len(bench.log) + 1, 1, 0.0, "u", entry.kind, "", entry.data)
    run, stage, acts = machine.advance(run, stage, events.Committed(event))
    assert [act for act in acts if isinstance(act, events.Record)] == [
        events.Record("stopped", "Stopped: enough", {"why": "enough"})
    ]
    assert (kind == "point") == any(point["id"] == event.id for point in run.points)


def _read(bench: PaperBench) -> events.Event:
    """What a reading at the present place would be."""
    taken: list[events.Event] = []
    bench.happen = taken.append  # pyright: ignore[reportAttributeAccessIssue]
    assert bench.ends()
    return taken[0]
