"""Store, disk and interruptions, each with its defined outcome, on the virtual bench.

What must hold is stated in each test; the rules are the project's own safety rules (a fault that can
still be acted on sends the lift to the far end; a spoilt branch is walked again; no reading is
recorded that is not surely right). No outside source.
"""

import pytest

from tests.support.bench.lift_runs import finish, one_way_everywhere, started
from tests.support.bench.virtual_bench import VirtualBench
from weighloop.daemon.procedure import events


class TestStoreAndDisk:
    def test_a_full_disk_tells_nobody_anything_and_retreats(self) -> None:
        bench = started(6)
        bench.log_writer.fail = True
        told = len(bench.told)
        bench.controller.happen(
            events.Trouble("store", "the store cannot be written: database or disk is full")
        )
        bench.advance(120)
        assert len(bench.told) == told
        assert bench.height == bench.travel
        bench.log_writer.fail = False
        bench.log_writer.flush()
        bench.advance(1)
        assert bench.run is not None
        assert (bench.run.state, bench.run.code) == ("held", "store")
        bench.say("go-on")
        finish(bench)
        one_way_everywhere(bench)


class TestInterrupted:
    @pytest.mark.parametrize("taken", [0, 5, 8, 12])
    def test_a_killed_daemon_resumes_through_zero_home_and_history(self, taken: int, tmp_path) -> None:
        first = VirtualBench(tmp_path / "store.sqlite")
        first.start("lift", points=4)
        first.operate(stop=lambda: first.run is not None and len(first.run.points) >= taken)
        assert first.run is not None
        acknowledged = [data["id"] for topic, data in first.told if topic == "point"]
        first.store.close()  # as a kill leaves it: nothing is said to anybody

        bench = VirtualBench(tmp_path / "store.sqlite", seed=2)
        bench.sample_on, bench.orientation, bench.height = first.sample_on, first.orientation, first.height
        bench.clock.time = first.clock.time + 60
        bench._next_reading = bench.clock.time
        bench.controller.resume(bench.store.record(1), "the power was cut")
        bench.advance(10)
        assert bench.run is not None
        assert (bench.run.state, bench.run.why) == ("held", "the power was cut")
        assert bench.mover.moves == []
        bench.say("go-on")
        bench.advance(1)
        assert bench.mover.moves[0] == "establish"
        finish(bench)
        one_way_everywhere(bench)
        kept = {point["id"] for point in bench.run.points}
        assert set(acknowledged) <= kept
        # The first thing read after the interruption is a zero.
        after = [point for point in bench.run.points if point["id"] > max(acknowledged, default=0)]
        assert after[0]["kind"] == "zero"

    def test_spacers_go_on_at_the_same_count_with_a_fresh_zero(self, tmp_path) -> None:
        first = VirtualBench(tmp_path / "store.sqlite")
        first.start("spacers", points=4)
        first.operate(stop=lambda: first.run is not None and len(first.run.points) == 5)
        first.store.close()
        bench = VirtualBench(tmp_path / "store.sqlite", seed=2)
        bench.spacers, bench.offset, bench.sample_on = first.spacers, first.offset, first.sample_on
        bench.clock.time = bench._next_reading = first.clock.time + 60
        bench.controller.resume(bench.store.record(1), "the power was cut")
        bench.advance(2)
        bench.say("go-on")
        finish(bench)
        assert bench.run is not None
        pairs = [(q["kind"], q["spacers"]) for q in bench.run.points]
        for (kind, count), (before, number) in zip(pairs[1:], pairs, strict=False):
            if kind == "point":
                assert (before, number) == ("zero", count)
