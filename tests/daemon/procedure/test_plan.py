"""The plan of a run: its steps and their order."""

from __future__ import annotations

from itertools import pairwise

from tests.support.bench.paper_run import lift_plan, spacer_plan


def test_zero_and_turn_stand_between_the_orientations() -> None:
    kinds = [step["kind"] for step in lift_plan().steps]
    assert kinds[0] == "zero"
    assert kinds[-1] == "zero"
    for before, after in pairwise(lift_plan().steps):
        if before["kind"] == "point" and after["kind"] == "point":
            assert before["orientation"] == after["orientation"]
    turns = [i for i, kind in enumerate(kinds) if kind == "turn"]
    assert len(turns) == 2
    assert all(kinds[i - 1] == "zero" for i in turns)


def test_numbers_are_the_places() -> None:
    assert [step["step"] for step in spacer_plan().steps] == list(range(1, len(spacer_plan().steps) + 1))


def test_each_point_with_spacers_follows_its_zero() -> None:
    for before, after in pairwise(spacer_plan().steps):
        if after["kind"] == "point":
            assert before["kind"] == "zero"
            assert before["spacers"] == after["spacers"]
