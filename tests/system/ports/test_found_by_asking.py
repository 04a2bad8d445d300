"""Balance and lift of the bench twin are found at their ports, each as what it is."""

from __future__ import annotations

import pytest

from weighloop.daemon import balance_check
from weighloop.daemon.simulation.twin_process import TwinProcess
from weighloop.tui.cli.bench.bench import _heard


def test_a_lift_answers_and_a_balance_does_not() -> None:
    with TwinProcess(seed=3, speed=1.0) as twin:
        ports = [twin.places["balance"], twin.places["lift"]]
        assert balance_check.lift_answers(ports[1], 10.0)
        assert balance_check.lift_answers(ports[0], 1.0) is None


def test_the_questions_begin_with_what_was_found(monkeypatch: pytest.MonkeyPatch) -> None:
    with TwinProcess(seed=3, speed=1.0) as twin:
        ports = [
            {"device": twin.places[name], "stable_name": None, "identity": None, "description": ""}
            for name in ("lift", "balance")
        ]
        monkeypatch.setattr(balance_check, "port_lines", lambda: ports)
        found = _heard()
        assert found["balance.port"] == twin.places["balance"]
        assert found["balance.dialect"] == "status-line"
        assert (found["lift.port"], found["gap.ladder"]) == (twin.places["lift"], "lift")
