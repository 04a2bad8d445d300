"""The screen on a scripted bench."""

from __future__ import annotations

from pathlib import Path

import pytest

from tests.support.screen.scripted_results import costs, magnetised, result
from weighloop.tui.screens import new_run
from weighloop.tui.screens import run as run_view
from weighloop.tui.screens import runs as runs_view
from weighloop.tui.state import compute


@pytest.fixture(autouse=True)
def quiet_terminal(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    """The same terminal, an empty home and no process that computes, for every test."""
    monkeypatch.setattr(run_view, "magnetisation", magnetised)
    monkeypatch.setattr(new_run, "bench_costs", costs)
    monkeypatch.setattr(new_run, "bench_sketch", compute.bench_sketch)
    for module in (run_view, runs_view):
        monkeypatch.setattr(module, "analyse_run", result)
    for name in ("NO_COLOR", "COLORFGBG", "TEXTUAL_ANIMATIONS"):
        monkeypatch.delenv(name, raising=False)
    monkeypatch.setenv("XDG_STATE_HOME", str(tmp_path / "state"))
    monkeypatch.setenv("XDG_DATA_HOME", str(tmp_path / "data"))
    monkeypatch.setenv("XDG_CONFIG_HOME", str(tmp_path / "config"))
