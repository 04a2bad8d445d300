"""A bench that answers plausibly and wrongly: nothing wrong is recorded as right, and the run says why.

One attack of each kind here, the readings as lines of a dialect in turn; all of them in every dialect, and a
table of what came of each, in ``tests.benchmarks.faults.attacks``.
"""

from __future__ import annotations

import pytest

from tests.support.bench.attacks import DIALECTS, Attack, attacks, line_attacks, outcome
from tests.support.bench.hostile_bench import HostileBench, wrong_readings
from tests.support.bench.virtual_bench import STRONG, attraction
from tests.support.examples import in_turn
from weighloop.daemon.store.readings_table import readings_of

FIRST = {attack.kind: attack for attack in reversed([*attacks(), *line_attacks()])}
WITH = in_turn((attack, DIALECTS[number % len(DIALECTS)]) for number, attack in enumerate(FIRST.values()))


@pytest.mark.parametrize(("attack", "dialect"), WITH, ids=[f"{a.kind} ({d})" for a, d in WITH])
def test_nothing_wrong_is_believed(attack: Attack, dialect: str) -> None:
    came = outcome(attack, dialect)
    assert came.end in attack.ends, came.why
    assert came.wrong == came.lost == 0
    assert came.alarmed or came.end == "finished"


def test_how_late_the_balance_is_stands_in_the_snapshot() -> None:
    bench = HostileBench(interval=0.1)
    bench.age = 1.2
    bench.start("lift", points=4)
    bench.play()
    balance = bench.controller.snapshot()["balance"]
    assert balance is not None
    assert balance.get("delay_s") == pytest.approx(1.2, abs=0.25)


def test_put_right_a_late_line_costs_the_branch_and_no_more() -> None:
    bench = HostileBench()
    bench.age = 8.0
    bench.start("lift", points=4)
    assert bench.play() == "held: late"
    bench.age = 0.1
    bench.advance(30.0)
    bench.say("go-on")
    assert bench.play() == "finished"
    assert wrong_readings(bench) == []


def test_what_a_person_takes_as_it_is_is_taken() -> None:
    """The balance may be right: an answer that surprises is asked about, not refused."""
    bench = HostileBench(interval=0.1)
    bench.fault = lambda: setattr(bench, "noise", 0.0 if bench.read_so_far >= 6 else 0.4e-6)
    bench.start("lift", points=4)
    assert bench.play() == "held: dead"
    taken = bench.read_so_far
    action = bench.action()
    assert action["choices"] == ["take as it is", "once more"]
    bench.say("confirm", "take as it is")
    bench.advance(1.0)
    assert bench.read_so_far == taken + 1
    assert wrong_readings(bench) == []


@pytest.mark.parametrize("age", in_turn([0.0, 1.5, 3.0, 5.5, 6.0, 10.5, 12.0, 30.0]))
def test_with_spacers_too_nothing_late_is_believed(age: float) -> None:
    bench = HostileBench()
    bench.age = age
    bench.start("spacers", points=4)
    assert bench.play() == ("finished" if age < 2 else "held: late")
    assert bench.run is not None
    for p in bench.run.points:
        if p["set_aside"] is None:
            assert p["spacers"] is not None
            zero, height = -p["spacers"] * bench.spacer_mass, p["spacers"] * 1e-3
            pull = attraction(height) * (1 if p["leg"] in (2, 4) and height >= STRONG else -1)
            true = zero + (pull if p["kind"] == "point" else 0.0)
            assert abs(p["value_kg"] - true) < 5 * p["u_kg"] + 3e-6


@pytest.mark.parametrize("readings", [2, 5])
def test_what_the_next_visible_answer_does_not_reach_is_marked(readings: int) -> None:
    """Far out no pull of a weak sample shows: those that follow nearer in vouch for it, or none does."""
    bench = HostileBench()
    bench.strength = 5e-4
    bench.start("lift", points=8)
    bench.operate(stop=lambda: bench.read_so_far == readings)
    bench.say("stop", "enough")
    bench.advance(60.0)
    run = bench.store.run(1)
    alone = readings == 2
    assert [p.get("vouched", True) for p in run["points"]] == [not alone] * readings
    table = readings_of(run)
    assert [bool(note) for note in table.note] == [alone] * (readings - 1)
    assert [(r.code, r.rows) for r in table.remarks] == ([("not-vouched", (1,))] if alone else [])


def test_a_break_ends_what_a_later_answer_vouches_for() -> None:
    bench = HostileBench()
    bench.strength = 1e-3
    bench.start("lift", points=8)
    bench.operate(stop=lambda: bench.run is not None and len(bench.run.points) == 2)
    bench.say("hold")
    bench.advance(5.0)
    bench.say("go-on")
    bench.operate(stop=lambda: bench.run is not None and len(bench.run.points) > 8)
    assert bench.run is not None
    assert not bench.run.points[0].get("vouched", True)
    assert all(p.get("vouched", True) for p in bench.run.points[2:7])
