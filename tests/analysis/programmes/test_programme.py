"""Programmes as lists of passages: what a file may say, and how a bench carries one out."""

from __future__ import annotations

from dataclasses import replace
from itertools import pairwise
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from tests.support import EXAMPLES
from weighloop.analysis.errors import InputError, NotPossible
from weighloop.analysis.files.bench_file import read_bench
from weighloop.analysis.planning.gap_ladder import plan
from weighloop.analysis.programmes.path import plan_programme
from weighloop.analysis.programmes.programme import (
    FieldPassage,
    Programme,
    parse_programmes,
    programme,
    programmes,
    read_programmes,
)
from weighloop.analysis.records.bench import Turner

BENCH = read_bench(EXAMPLES / "wp-07-1.toml")
LIFT = replace(BENCH, gap=replace(BENCH.gap, ladder="lift", spacer=None, spacers=None))


def test_the_loop_is_the_ladder_s_own_five_passages() -> None:
    """Five passages: in, out, turned over in and out, turned back in."""
    steps = plan_programme(BENCH, programme("loop"), 12).steps
    own = plan(BENCH, 12).steps
    assert [(s.gap, s.orientation, s.leg) for s in steps] == [(s.gap, s.orientation, s.leg) for s in own]
    assert [s.predicted_reading for s in steps][12:] == pytest.approx([s.predicted_reading for s in own][12:])


@pytest.mark.parametrize("name", list(programmes()))
def test_every_programme_goes_one_way_on_a_passage_and_turns_at_the_far_end(name: str) -> None:
    wanted = programme(name)
    found = plan_programme(LIFT, wanted, 16)
    far = max(step.gap for step in found.steps)
    for before, after in pairwise(found.steps):
        if before.orientation != after.orientation:
            assert before.gap == after.gap == far
        elif before.leg == after.leg and not after.wait:
            inward = wanted.passages[after.leg].inward
            assert (after.gap < before.gap) == inward
    turned = sum(a.orientation != b.orientation for a, b in pairwise(found.steps))
    assert turned == wanted.turns
    assert found.seconds > 0


@pytest.mark.parametrize(
    ("text", "place", "right"),
    [
        ("mine = 3", "mine", "passages ="),
        ("[mine]\npassages = []", "mine", "passages ="),
        ("[mine]\npassages = [{ orientation = 2, from = 0, to = 1 }]", "passage 1, orientation", "1 or -1"),
        ("[mine]\npassages = [{ orientation = 1, from = 0, to = 1.5 }]", "passage 1, to", "from 0 to 1"),
        ("[mine]\npassages = [{ orientation = 1, from = 0, to = nan }]", "passage 1, to", "from 0 to 1"),
        ("[mine]\npassages = [{ orientation = 1, from = 0.2, to = 0.2 }]", "passage 1", "a wait"),
        ("[mine]\npassages = [{ orientation = 1, from = 0 }]", "passage 1", "orientation, from and to"),
        (
            "[mine]\npassages = [{ orientation = 1, from = 0, to = 1 }, "
            "{ orientation = 1, from = 0.5, to = 0 }]",
            "passage 2",
            "where the one before ends",
        ),
        (
            "[mine]\npassages = [{ orientation = 1, from = 0, to = 1 }, "
            "{ orientation = -1, from = 1, to = 0 }]",
            "passage 2",
            "the far end",
        ),
        ("[mine", "line 1", "write [mine]"),
    ],
)
def test_a_fault_names_the_passage_and_what_is_right(text: str, place: str, right: str) -> None:
    with pytest.raises(InputError) as found:
        parse_programmes(text, "own.toml")
    assert place in str(found.value)
    assert right in str(found.value)


@given(
    st.lists(
        st.tuples(st.sampled_from([1, -1]), st.floats(0, 1), st.floats(0, 1), st.floats(0, 100)), max_size=6
    )
)
def test_what_is_read_is_a_path_without_a_jump(rows: list[tuple[int, float, float, float]]) -> None:
    inside = ", ".join(
        f"{{ orientation = {o}, from = {a!r}, to = {b!r}, wait_s = {w!r} }}" for o, a, b, w in rows
    )
    try:
        (found,) = parse_programmes(f"[mine]\npassages = [{inside}]", "own.toml").values()
    except InputError:
        return
    for before, after in pairwise(found.passages):
        assert after.start == before.stop
        assert after.orientation == before.orientation or after.start == 0.0


def test_a_programme_of_one_s_own_and_a_name_that_is_none(tmp_path: Path) -> None:
    own = tmp_path / "programmes.toml"
    own.write_text("[there-and-back]\nabout = 'a try'\npassages = [{ orientation = 1, from = 0, to = 1 }]\n")
    assert programme("there-and-back", read_programmes(own)).about == "a try"
    with pytest.raises(InputError, match="did you mean 'recoil'"):
        programme("recoll")
    with pytest.raises(InputError, match=r"none\.toml"):
        read_programmes(tmp_path / "none.toml")


def test_passages_too_short_for_the_gaps_are_refused() -> None:
    short = Programme("short", "", (FieldPassage(1, 0.0, 0.5), FieldPassage(1, 0.5, 0.501)), "recoil")
    with pytest.raises(NotPossible, match="more --points"):
        plan_programme(BENCH, short, 4)


def test_with_a_turner_pairs_at_the_far_end_tell_the_zero() -> None:
    """One before the first passage and one after the last; on the way each turn makes one."""
    turner = replace(LIFT, gap=replace(LIFT.gap, turner=Turner()))
    wanted = programme("recoil")
    steps = plan_programme(turner, wanted, 16).steps
    far = max(step.gap for step in steps)
    assert [(s.orientation, s.gap) for s in steps[:2]] == [(-1, far), (1, far)]
    assert [(s.orientation, s.gap) for s in steps[-2:]] == [(1, far), (-1, far)]
    assert sum(a.orientation != b.orientation for a, b in pairwise(steps)) == wanted.turns + 2
    with pytest.raises(NotPossible, match="without a turner"):
        plan_programme(LIFT, wanted, 16, zeros="far")


def test_a_gap_is_held_in_log_time_by_a_lift_alone() -> None:
    """Street and Woolley's law is a straight line over the logarithm of time (Proc. Phys. Soc. A 62 (1949)
    562): readings spaced evenly there weigh alike."""
    held = [s.wait for s in plan_programme(LIFT, programme("decay"), 16).steps if s.wait]
    assert held[-1] == pytest.approx(7200.0)
    steps = np.diff(np.log(held))
    assert steps == pytest.approx(steps[0])
    with pytest.raises(NotPossible, match="wants a lift"):
        plan_programme(BENCH, programme("decay"), 16)


def test_a_pull_the_pan_cannot_bear_is_refused_for_every_programme() -> None:
    light = replace(BENCH, reference_magnet=replace(BENCH.reference_magnet, pan_load=None))
    with pytest.raises(NotPossible, match="lift off"):
        plan_programme(light, programme("recoil"), 12)
