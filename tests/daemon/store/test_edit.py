"""A run is renamed, noted on and hidden by events: nothing of it is changed or lost."""

from __future__ import annotations

from pathlib import Path

import pytest

from weighloop.daemon.store.edit import edit_run
from weighloop.daemon.store.locks import AlreadyRunning, StoreLock
from weighloop.daemon.store.store import Store, StoreError

PLANNED = {
    "sample": "WP-07-1",
    "ladder": "lift",
    "bench_text": "",
    "target_u_kg": 2e-6,
    "seconds": 60.0,
    "steps": [],
}


@pytest.fixture
def store(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.setenv("XDG_RUNTIME_DIR", str(tmp_path))
    path = tmp_path / "store.sqlite"
    with Store(path) as made:
        made.begin_session("boot", "1.0", "2026-03-04T09:00:00Z", 0.0)
        made.append([(1, 0.0, "2026-03-04T09:00:00Z", "planned", "Planned", PLANNED, None)])
        made.append([(1, 1.0, "2026-03-04T09:01:00Z", "stopped", "Stopped", {"why": "tea"}, None)])
    return path


def test_a_run_has_another_name_a_note_and_is_hidden(store: Path) -> None:
    edit_run(store, 1, "rename", "WP-07-1b", "1.0")
    edit_run(store, 1, "note", "corner chipped", "1.0")
    edit_run(store, 1, "hide", True, "1.0")
    with Store(store, read_only=True) as opened:
        (line,) = opened.runs()
        assert (line["sample"], line.get("notes"), line.get("hidden")) == (
            "WP-07-1b",
            ["corner chipped"],
            True,
        )
        assert line.get("upto") == 5
        run = opened.run(1)
        assert (run["sample"], run["why"], run.get("notes")) == ("WP-07-1b", "tea", ["corner chipped"])
        texts = [event.text for event in opened.events(1)]
        assert texts[:2] == ["Planned", "Stopped"]
        assert "WP-07-1 is now WP-07-1b" in texts[2]
        assert opened.verify() == []
    edit_run(store, 1, "hide", False, "1.0")
    with Store(store, read_only=True) as opened:
        assert opened.runs()[0].get("hidden") is False


def test_what_cannot_be_is_refused_and_changes_nothing(store: Path) -> None:
    with pytest.raises(StoreError, match="no run 7"):
        edit_run(store, 7, "note", "x", "1.0")
    with pytest.raises(ValueError, match="name is empty"):
        edit_run(store, 1, "rename", "  ", "1.0")
    lock = StoreLock(store, store.parent)
    lock.take()
    try:
        with pytest.raises(AlreadyRunning):
            edit_run(store, 1, "note", "x", "1.0")
    finally:
        lock.release()
    with Store(store, read_only=True) as opened:
        assert len(opened.events(1)) == 2


def test_lines_of_an_older_program_are_made_again(store: Path) -> None:
    with Store(store) as opened:
        opened.db.execute("UPDATE run_lines SET line = '{\"id\": 1}'")
        opened.begin_session("boot", "1.1", "2026-03-04T10:00:00Z", 2.0)
        assert opened.runs()[0].get("notes") == []
