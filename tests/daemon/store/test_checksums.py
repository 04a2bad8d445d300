"""A byte that changed in the file is found, costs its own event and no other, and is named."""

from __future__ import annotations

import random
import shutil
import sqlite3
from pathlib import Path

import pytest

from tests.support.bench.virtual_bench import VirtualBench
from weighloop.daemon.store.store import Store, StoreError


@pytest.fixture(scope="module")
def finished(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The store of one whole run, closed."""
    path = tmp_path_factory.mktemp("finished") / "store.sqlite"
    bench = VirtualBench(path)
    bench.start("lift", points=3)
    bench.operate()
    bench.store.pack_tail(1)
    bench.store.close()
    return path


def content(path: Path) -> dict[str, list[tuple]]:
    """All rows of all tables."""
    with sqlite3.connect(path) as db:
        db.text_factory = bytes
        tables = [
            row[0].decode() for row in db.execute("SELECT name FROM sqlite_master WHERE type = 'table'")
        ]
        rows = {t: db.execute(f"SELECT * FROM {t}").fetchall() for t in sorted(tables)}
    db.close()
    return rows


def flipped(path: Path, folder: Path, at: int, bit: int) -> Path:
    """A copy of the file with one bit the other way."""
    copy = folder / "flipped.sqlite"
    raw = bytearray(path.read_bytes())
    raw[at] ^= 1 << bit
    copy.write_bytes(raw)
    return copy


def faults(path: Path) -> list[str]:
    try:
        with Store(path, read_only=True) as store:
            return store.verify()
    except StoreError as error:
        return [str(error)]


@pytest.mark.costly
def test_any_byte_that_changes_is_found_or_changed_nothing(finished: Path, tmp_path: Path) -> None:
    assert faults(finished) == []
    whole = content(finished)
    draw = random.Random(17)
    size = finished.stat().st_size
    for _ in range(250):
        copy = flipped(finished, tmp_path, draw.randrange(size), draw.randrange(8))
        if faults(copy):
            continue
        assert content(copy) == whole


def test_a_digit_that_changed_costs_its_own_event_and_is_named(finished: Path, tmp_path: Path) -> None:
    copy = tmp_path / "store.sqlite"
    shutil.copy(finished, copy)
    with Store(finished, read_only=True) as store:
        before = store.record(1)
    point = before.points[5]
    raw = finished.read_bytes()
    said = f'"value_kg": {point["value_kg"]!r}'.encode()
    assert raw.count(said) == 1
    at = raw.index(said) + len(said) - 3
    digit = b"1" if raw[at : at + 1] != b"1" else b"2"
    copy.write_bytes(raw[:at] + digit + raw[at + 1 :])
    with Store(copy, read_only=True) as store:
        assert any(f"event {point['id']}" in fault for fault in store.verify())
        after = store.record(1)
        assert [p["id"] for p in after.points] == [p["id"] for p in before.points if p["id"] != point["id"]]
        (warning,) = store.run(1)["warnings"]
        assert "run 1" in warning
        assert f"step {point['step']}" in warning
        assert after.done == before.done
        assert after.state == "finished"


def test_a_row_taken_out_or_put_in_is_found(finished: Path, tmp_path: Path) -> None:
    for words in (
        "DELETE FROM events WHERE id = 7",
        "DELETE FROM events WHERE id = (SELECT max(id) FROM events)",
        "INSERT INTO events SELECT 9999, session, run, time_s, utc, kind, text, data, NULL, own, link"
        " FROM events WHERE id = 7",
    ):
        copy = tmp_path / "store.sqlite"
        shutil.copy(finished, copy)
        with sqlite3.connect(copy) as db:
            db.execute("DROP TRIGGER events_remain")
            db.execute(words)
        db.close()
        assert faults(copy), words


def test_a_damaged_checksum_costs_nothing(finished: Path, tmp_path: Path) -> None:
    copy = tmp_path / "store.sqlite"
    shutil.copy(finished, copy)
    with sqlite3.connect(copy) as db:
        db.execute("DROP TRIGGER events_stay")
        db.execute("UPDATE events SET own = x'00' WHERE id = 7")
    db.close()
    with Store(copy, read_only=True) as store:
        assert store.record(1).warnings == ()
        assert any("its content is sound" in fault for fault in store.verify())


def test_an_event_that_no_program_understands_keeps_no_run_from_being_read(tmp_path: Path) -> None:
    with Store(tmp_path / "store.sqlite") as store:
        store.begin_session("boot", "test", "2026-01-01T00:00:00Z", 0.0)
        odd = [
            (1, 1.0, "2026-01-01T00:00:00Z", kind, "odd", {"point": None}, None) for kind in ("point", "held")
        ]
        store.append(odd)
        assert [line["id"] for line in store.runs()] == [1]
        assert len(store.run(1)["warnings"]) == 2
        assert len(store.verify()) == 2


def test_the_list_of_runs_is_made_again_where_it_is_missing_or_behind(finished: Path, tmp_path: Path) -> None:
    copy = tmp_path / "store.sqlite"
    with Store(finished, read_only=True) as store:
        lines = store.runs()
    for words in (
        "DELETE FROM run_lines",
        "UPDATE run_lines SET upto = upto - 1",
        "UPDATE run_lines SET line = '{'",
    ):
        shutil.copy(finished, copy)
        with sqlite3.connect(copy) as db:
            db.execute(words)
        db.close()
        with Store(copy, read_only=True) as store:
            assert store.runs() == lines


def test_a_restored_copy_that_goes_on_has_an_epoch_of_its_own(tmp_path: Path) -> None:
    path, copy = tmp_path / "store.sqlite", tmp_path / "copy.sqlite"
    note = (None, 1.0, "2026-01-01T00:00:00Z", "note", "a note", {}, None)
    with Store(path) as store:
        store.begin_session("boot", "test", "2026-01-01T00:00:00Z", 0.0)
        store.append([note])
        first = store.identity
        assert store.take_up(store.mark()) is False  # the same course
        store.backup(copy)
        store.append([note])
        seen = store.mark()
    with Store(path) as store:
        assert store.take_up(seen) is False
        assert store.identity == first
    shutil.copy(copy, path)
    with Store(path) as store:
        assert store.take_up(seen) is True  # it has not come as far as was seen
        second = store.identity
        assert second["uuid"] == first["uuid"]
        assert second["epoch"] != first["epoch"]
        store.append([(*note[:4], "another note", {}, None)])
        assert store.take_up(seen._replace(epoch=second["epoch"])) is True  # as far, another way
    with Store(copy) as store:
        assert store.take_up(None) is True  # never seen in this place
        assert store.verify() == []
