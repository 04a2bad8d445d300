"""A record changed by the quick way is what the standard library's way gives."""

from __future__ import annotations

import dataclasses
from functools import cached_property

import pytest

from tests.support.bench.paper_bench import PaperBench, turner_plan
from weighloop.daemon.frozen import replace
from weighloop.daemon.procedure.events import BenchState, Task
from weighloop.daemon.procedure.run import RunRecord


@pytest.fixture(scope="module")
def run() -> RunRecord:
    bench = PaperBench(turner_plan())
    while bench.ends():
        pass
    return bench.run


WORKED_OUT = [name for name, value in vars(RunRecord).items() if isinstance(value, cached_property)]


@pytest.mark.parametrize("record", [RunRecord(7), BenchState(serial=3), Task("read", 0.01)])
def test_every_field_is_changed_as_the_standard_library_does(record) -> None:
    before = dataclasses.asdict(record)
    for field in dataclasses.fields(record):
        changed = replace(record, **{field.name: ("another",)})
        assert changed == dataclasses.replace(record, **{field.name: ("another",)})
        assert type(changed) is type(record)
    assert dataclasses.asdict(record) == before


def test_what_was_worked_out_is_that_of_the_fields(run) -> None:
    assert set(WORKED_OUT) == set(RunRecord.MADE_OF)
    changes = [
        {"upto": run.upto + 1},
        {"points": run.points[:-5]},
        {"steps": run.steps[:3], "plan": run.plan[:3]},
        {"steps": run.steps[:3], "points": ()},
    ]
    for change in changes:
        for name in WORKED_OUT:
            assert getattr(run, name)  # worked out before
        quick, plain = replace(run, **change), dataclasses.replace(run, **change)
        for name in WORKED_OUT:
            assert getattr(quick, name) == getattr(plain, name), (name, list(change))


def test_a_name_that_is_no_field_is_refused() -> None:
    with pytest.raises(TypeError, match="BenchState has no stage, zeal"):
        replace(BenchState(), zeal=1, stage=2, serial=4)
