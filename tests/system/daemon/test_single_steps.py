"""A lab's own script, and a run engine that others wrote, take readings gap by gap on the bench twin."""

from __future__ import annotations

import os
import re
import time
from collections.abc import Iterator
from itertools import pairwise
from pathlib import Path
from typing import Any

import numpy as np
import pytest

import weighloop as wl
from weighloop.daemon.server.client import ClientError
from weighloop.daemon.simulation.rehearsal import Rehearsal
from weighloop.daemon.single_steps import SingleSteps

pytestmark = pytest.mark.skipif(os.name == "nt", reason="the twin needs pseudo-terminals")
GAPS = [30e-3, 12e-3, 5e-3, 2e-3]


@pytest.fixture
def rehearsal(tmp_path: Path) -> Iterator[Rehearsal]:
    with Rehearsal(tmp_path / "store.sqlite", seed=4, speed=60.0) as begun:
        yield begun


def begin(rehearsal: Rehearsal, slow: bool = False) -> SingleSteps:
    """``slow``: a person whose word comes when the balance has noticed what they did, where it does."""

    def hands(text: str, choices: list[str]) -> str | None:
        with rehearsal.client() as watcher:
            action = watcher.call("snapshot")["run"]["action"]
            rehearsal.twin.do(action["code"])
            end = time.monotonic() + (1.5 if slow else 0.0)
            while time.monotonic() < end and watcher.call("snapshot")["run"]["action"] == action:
                time.sleep(0.05)
        return choices[0] if choices else None

    return SingleSteps.begin(rehearsal.twin.places["bench_file"], socket=rehearsal.socket, person=hands)


def scanned(rehearsal: Rehearsal, tries: int = 3) -> tuple[int, list[tuple[str, Any]]]:
    """The number of a run whose gaps Bluesky's own engine and plan went through; the engine's documents."""
    from bluesky import RunEngine
    from bluesky.plans import list_scan
    from bluesky.protocols import Movable, Readable, Stageable, Status, Triggerable

    documents: list[tuple[str, Any]] = []
    engine = RunEngine({}, context_managers=[])
    try:
        with begin(rehearsal) as steps:
            for device in (steps.axis, steps.balance):  # the protocols' own runtime checks
                assert isinstance(device, Readable)
                assert isinstance(device, Stageable)
            assert isinstance(steps.axis, Movable)
            assert isinstance(steps.balance, Triggerable)
            assert isinstance(steps.submit(lambda: None), Status)
            engine(list_scan([steps.balance], steps.axis, GAPS), lambda *both: documents.append(both))
            with pytest.raises(ClientError, match="lies back"):
                steps.go(GAPS[0])
        return steps.number, documents
    except Exception:  # of the engine's own kinds, or ClientError
        if tries == 1 or not stalled(rehearsal):
            raise
    return scanned(rehearsal, tries - 1)


def stalled(rehearsal: Rehearsal) -> bool:
    """Whether the run is held for a device that was silent or late, as by a machine that stalls: a second of
    it is a minute here. It is ended."""
    with rehearsal.client() as client:
        run = client.call("snapshot")["run"]
        if run["state"] != "held" or not re.search(
            r"\blate\b|silent|alive|no answer|^the balance: ", run["why"]
        ):
            return False
        client.call("control.take", name="the test", force=True)
        client.call("run.stop", why="the machine stalled")
    return True


def test_a_run_engine_scans_the_gap(rehearsal: Rehearsal) -> None:
    number, documents = scanned(rehearsal)
    described = next(doc for name, doc in documents if name == "descriptor")["data_keys"]
    assert described["gap"]["units"] == "m"
    assert described["reading"]["units"] == "kg"
    events = [doc["data"] for name, doc in documents if name == "event"]
    run = wl.read_run(number, rehearsal.store)
    np.testing.assert_array_equal([e["reading"] for e in events], run.readings.reading)
    np.testing.assert_allclose([e["gap"] for e in events], GAPS, atol=6e-6)
    assert next(doc for name, doc in documents if name == "stop")["exit_status"] == "success"
    # Every reading rests on what the balance sent after the lift stood: none began before its move.
    assert run.raw is not None
    assert run.readings.settled_in is not None
    for when, settled, reading in zip(
        run.readings.time, run.readings.settled_in, run.readings.reading, strict=True
    ):
        since = run.raw.time > when - settled
        shown = run.raw.value[since][np.argsort(np.abs(run.raw.time[since] - when))[:10]]
        assert np.nanmedian(shown) == pytest.approx(reading, abs=20e-6)
    pulls = np.abs(run.readings.reading - run.readings.zero_before)
    assert all(b > a for a, b in pairwise(pulls))
    assert np.isfinite(run.readings.zero_after).all()


def test_a_script_is_refused_what_a_person_would_be(rehearsal: Rehearsal) -> None:
    bench = Path(rehearsal.twin.places["bench_file"])
    with begin(rehearsal, slow=True) as steps:
        steps.go(10e-3)
        first = steps.read()
        with pytest.raises(ClientError, match="within the lift's reach"):
            steps.go(80e-3)
        with pytest.raises(ClientError, match="in control; that is script"), rehearsal.client() as other:
            SingleSteps(other, steps.number, steps.person).go(5e-3)
        with pytest.raises(ClientError, match="script"):
            SingleSteps.begin(bench, socket=rehearsal.socket)
        steps.hold("tea")
        with pytest.raises(ClientError, match="held: tea"):
            steps.read()
        steps.client.call("run.go_on")
        second = steps.read()
        assert second["gap_m"] == first["gap_m"]
        assert second["time_s"] > first["time_s"]
    with rehearsal.client() as client:
        assert client.call("runs.get", run=1)["state"] == "finished"
