"""The screen on a scripted bench."""

from __future__ import annotations

from pathlib import Path

import pytest


@pytest.fixture(autouse=True)
def quiet_terminal(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    """The same terminal and an empty home for every test."""
    for name in ("NO_COLOR", "COLORFGBG", "TEXTUAL_ANIMATIONS"):
        monkeypatch.delenv(name, raising=False)
    monkeypatch.setenv("XDG_STATE_HOME", str(tmp_path / "state"))
    monkeypatch.setenv("XDG_DATA_HOME", str(tmp_path / "data"))
    monkeypatch.setenv("XDG_CONFIG_HOME", str(tmp_path / "config"))
