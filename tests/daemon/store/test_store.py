"""The store: append-only, whole after any interruption, quick to look over."""

import shutil
import sqlite3
from pathlib import Path

import numpy as np
import pytest

from weighloop.daemon.store import migrations
from weighloop.daemon.store.raw_blocks import Raw, pack
from weighloop.daemon.store.store import BLOCK, Store, StoreError


def entry(number: int, run: int | None = 1, key: str | None = None) -> tuple:
    return (run, float(number), "2026-01-01T00:00:00Z", "note", f"note {number}", {"n": number}, key)


@pytest.fixture
def store(tmp_path: Path):
    with Store(tmp_path / "store.sqlite") as opened:
        opened.begin_session("boot", "test", "2026-01-01T00:00:00Z", 0.0)
        yield opened


def test_wal_and_full_sync_are_set(store: Store) -> None:
    # SQLite documentation, PRAGMA synchronous: 2 is FULL.
    assert store.db.execute("PRAGMA journal_mode").fetchone()[0] == "wal"
    assert store.db.execute("PRAGMA synchronous").fetchone()[0] == 2


def test_the_log_cannot_be_changed(store: Store) -> None:
    store.append([entry(1)])
    for words in ("UPDATE events SET text = 'x'", "DELETE FROM events"):
        with pytest.raises(sqlite3.IntegrityError, match="append-only"):
            store.db.execute(words)
    assert [e.data for e in store.events(1)] == [{"n": 1}]


def test_an_entry_with_a_key_is_written_once(store: Store) -> None:
    (first,) = store.append([entry(1, key="1:7")])
    (again,) = store.append([entry(2, key="1:7")])
    assert again == first
    assert len(store.events(1)) == 1


def test_all_or_nothing(store: Store) -> None:
    bad = (1, 2.0, "utc", "note", "x", {"not": float("nan")}, None)
    with pytest.raises(ValueError):
        store.append([entry(1), bad], [(1, [Raw(0.0, 0.001, None)])])
    assert store.events(1) == []
    assert len(store.raw().time_s) == 0


def test_raw_readings_in_order_over_tail_and_blocks(store: Store) -> None:
    raw = [Raw(0.1 * i, i / 1e6, "steady" if i % 3 else None) for i in range(BLOCK + 500)]
    for start in range(0, len(raw), 250):
        store.append([], [(1, raw[start : start + 250])])
        store.pack_tail()
    columns = store.raw(1)
    assert np.array_equal(columns.value_kg, [r.value_kg for r in raw])
    assert columns.mark == tuple(r.mark for r in raw)
    assert store.db.execute("SELECT count(*) FROM raw_blocks").fetchone()[0] == 1
    assert store.verify() == []


def test_overview_holds_every_extreme(store: Store) -> None:
    rng = np.random.default_rng(2)
    values = np.round(rng.normal(0, 1e-4, 5000), 6)
    store.append([], [(1, [Raw(0.1 * i, float(v), None) for i, v in enumerate(values)])])
    over = store.overview(1, 100)
    assert len(over["time_s"]) == 100
    for slot in range(100):
        part = values[slot * 50 : (slot + 1) * 50]
        # A reading on the edge of two slots may be in either.
        assert over["low_kg"][slot] <= part[1:-1].min()
        assert over["high_kg"][slot] >= part[1:-1].max()


def test_a_store_of_a_newer_program_is_left_alone(tmp_path: Path) -> None:
    path = tmp_path / "store.sqlite"
    Store(path).close()
    with sqlite3.connect(path) as db:
        db.execute(f"PRAGMA user_version = {len(migrations.STEPS) + 1}")
    with pytest.raises(StoreError, match="newer program"):
        Store(path)


def test_a_migration_that_fails_leaves_the_store_as_it_was(tmp_path: Path, monkeypatch) -> None:
    path = tmp_path / "store.sqlite"
    with Store(path) as store:
        store.begin_session("boot", "test", "2026-01-01T00:00:00Z", 0.0)
        store.append([entry(1)])
    bad = (*migrations.STEPS, ("breaks", "CREATE TABLE half (id); INSERT INTO nowhere VALUES (1);"))
    monkeypatch.setattr(migrations, "STEPS", bad)
    with pytest.raises(StoreError):
        Store(path)
    monkeypatch.undo()
    with Store(path) as store:
        assert len(store.events(1)) == 1
        tables = {row[0] for row in store.db.execute("SELECT name FROM sqlite_master")}
        assert "half" not in tables


def test_an_older_store_is_brought_up_with_all_that_is_in_it(tmp_path: Path, monkeypatch) -> None:
    path = tmp_path / "store.sqlite"
    monkeypatch.setattr(migrations, "STEPS", migrations.STEPS[:1])
    with sqlite3.connect(path, isolation_level=None) as db:
        migrations.migrate(db)
        db.execute("INSERT INTO sessions VALUES (1, 'boot', 'test', '2026-01-01T00:00:00Z', 0.0)")
        db.execute(
            "INSERT INTO events (session, run, time_s, utc, kind, text, data)"
            " VALUES (1, 1, 1.0, '2026-01-01T00:00:00Z', 'note', 'note 1', '{\"n\": 1}')"
        )
        db.execute(
            "INSERT INTO raw_tail (session, run, packed) VALUES (1, 1, ?)", (pack([Raw(0.0, 0.001, None)]),)
        )
    db.close()
    monkeypatch.undo()
    with Store(path) as store:
        assert len(store.events(1)) == 1
        assert store.verify() == []
        assert [line["id"] for line in store.runs()] == [1]
        assert len(store.identity["uuid"]) == len(store.identity["epoch"]) == 36
        names = [column[1] for column in store.db.execute("PRAGMA table_info(points)")]
    assert names[-3:] == ["temperature_K", "hall_V", "vibration_V"]


def test_no_store_and_damaged_store_are_told_in_words(tmp_path: Path) -> None:
    with pytest.raises(StoreError, match="there is no store"):
        Store(tmp_path / "none.sqlite", read_only=True)
    bad = tmp_path / "bad.sqlite"
    bad.write_bytes(b"not a store at all" * 400)
    with pytest.raises(StoreError, match="backup"):
        Store(bad)


def test_verify_finds_a_damaged_block(store: Store) -> None:
    store.append([entry(1)], [(1, [Raw(0.1 * i, 0.001, None) for i in range(10)])])
    store.db.execute("UPDATE raw_tail SET packed = x'00'")
    assert any("raw_tail 1" in fault for fault in store.verify())


def test_online_backup_is_a_whole_store(store: Store, tmp_path: Path) -> None:
    store.append([entry(i) for i in range(100)])
    store.backup(tmp_path / "copy.sqlite")
    with Store(tmp_path / "copy.sqlite", read_only=True) as copy:
        assert len(copy.events(1)) == 100
        assert copy.verify() == []


def test_a_power_cut_at_any_write_boundary_leaves_a_prefix(tmp_path: Path) -> None:
    """File and log are copied after every commit, and the copy's log is cut at arbitrary lengths.

    SQLite documentation, "Write-Ahead Logging" and "File Format" section 4: a frame counts only when
    its checksum holds and a commit frame follows. So every copy must open and hold a prefix of the
    commits, whole ones only.
    """
    path = tmp_path / "store.sqlite"
    store = Store(path)
    store.begin_session("boot", "test", "2026-01-01T00:00:00Z", 0.0)
    rng = np.random.default_rng(11)
    for number in range(12):
        store.append([entry(2 * number), entry(2 * number + 1)], [(1, [Raw(number, 0.001, None)])])
        wal = path.with_name(path.name + "-wal")
        size = wal.stat().st_size
        for cut in {size, *map(int, rng.integers(0, size, 3))}:
            copy = tmp_path / "copy.sqlite"
            for old in tmp_path.glob("copy.sqlite*"):
                old.unlink()
            shutil.copy(path, copy)
            copy.with_name("copy.sqlite-wal").write_bytes(wal.read_bytes()[:cut])
            try:
                with Store(copy) as found:
                    numbers = [e.data["n"] for e in found.events(1)]
                    assert found.verify() == []
            except sqlite3.OperationalError:
                pytest.fail("a copy did not open")
            assert numbers == list(range(len(numbers)))
            assert len(numbers) % 2 == 0
            if cut == size:
                assert len(numbers) == 2 * number + 2
    store.close()
