"""What the archive's tables can hold, and figures from its rows: those of the bench."""

from __future__ import annotations

import json
from pathlib import Path

import pytest
from click.testing import CliRunner

from tests.support.store.lab_store import UTC, weigh
from weighloop.analysis.errors import WeighloopError
from weighloop.daemon.lab.archive import as_json, as_stored
from weighloop.daemon.lab.messages import OpenBlock, decode, encode
from weighloop.daemon.lab.reanalysis import Settings, figures_of
from weighloop.daemon.lab.source import StoreSource
from weighloop.daemon.store import raw_blocks
from weighloop.daemon.store.raw_blocks import Raw
from weighloop.daemon.store.store import Store
from weighloop.tui.cli import weighloop


@pytest.mark.parametrize(
    ("content", "held"),
    [
        ('{"u_kg": 1e-07, "n": -0.0}', True),
        (r'{"note": "a \u0000 b"}', False),
        (r'{"note": "a \\u0000 b"}', True),
        (r'{"note": "\ud800"}', False),
        (r'{"note": "\ud83d\ude00"}', True),
        ('{"x": NaN}', False),
        ('{"x": 1e999}', False),
        ('{"x": ', False),
    ],
)
def test_what_the_database_s_json_cannot_hold_is_kept_as_text_only(content: str, held: bool) -> None:
    """RFC 8259; PostgreSQL's manual, 8.14: jsonb takes no \\u0000 and no half of a surrogate pair."""
    row = (1, 1, None, 0.0, "u", "k", "a\0b\udc80", content, None, None)
    stored = as_stored("events", row)
    assert stored[7] == content
    assert stored[6] == "a\ufffdb\ufffd"
    assert stored[-1] == as_json(content) == (content if held else None)


def test_figures_from_the_archive_s_rows_are_those_of_the_bench(tmp_path: Path) -> None:
    path = tmp_path / "store.sqlite"
    weigh(path)
    before = path.read_bytes()
    source = StoreSource(path, "bench-1")
    (batch,) = source.look({"events": (0, 10_000)}).batches
    source.close()
    assert path.read_bytes() == before
    rows = [row for row in decode("events", encode(batch)).rows if row[2] == 1]
    _, found = figures_of(1, rows, Settings("mean", 400, 3))
    words = [
        "figures",
        "1",
        "--store",
        str(path),
        "--method",
        "mean",
        "--trials",
        "400",
        "--seed",
        "3",
        "--json",
    ]
    printed = CliRunner().invoke(weighloop, words)
    assert printed.exit_code == 0, printed.output
    bench = json.loads(printed.stdout)["figures"]
    keys = ("value", "u", "low95", "high95", "status", "why")
    assert {f[0]: f[1:] for f in found} == {n: tuple(f[k] for k in keys) for n, f in bench.items()}
    assert any(f[1] is not None for f in found)


def test_a_row_that_is_not_what_was_committed_is_left_out(tmp_path: Path) -> None:
    path = tmp_path / "store.sqlite"
    weigh(path)
    (batch,) = StoreSource(path, "bench-1").look({"events": (0, 10_000)}).batches
    changed = [(*row[:7], row[7].replace("value_kg", "volume_kg"), *row[8:]) for row in batch.rows]
    with pytest.raises((WeighloopError, ValueError), match="no reading yet"):
        figures_of(1, [a if a[5] == "x" else b for a, b in zip(batch.rows, changed, strict=True)], Settings())


def test_readings_that_stand_in_no_block_yet_are_seen(tmp_path: Path) -> None:
    path = tmp_path / "store.sqlite"
    weigh(path)
    source = StoreSource(path, "bench-1")
    assert source.look({}, open_block=True).open_block == OpenBlock(1, ())
    readings = [Raw(float(n), 1e-6 * n, None) for n in range(20)]
    with Store(path) as store:
        store.begin_session("boot", "1", UTC, 0.0)
        store.append(raw=[(1, readings)])
        store.append(raw=[(2, readings[:5])])
    block = source.look({}, open_block=True).open_block
    source.close()
    assert block is not None
    found = [(run, packed) for _, run, packed in block.pieces]
    assert found == [(1, raw_blocks.pack(readings)), (2, raw_blocks.pack(readings[:5]))]


def test_rows_that_a_damaged_disk_left_strange_hold_nothing_up(tmp_path: Path) -> None:
    path = tmp_path / "store.sqlite"
    weigh(path)
    import sqlite3

    with sqlite3.connect(path) as db:
        db.execute("DROP TRIGGER events_stay")
        db.execute("UPDATE events SET utc = x'00ff' WHERE id = 3")
    look = StoreSource(path, "bench-1").look({"events": (0, 5)})
    assert [row[0] for row in look.batches[0].rows] == [1, 2, 4, 5]
    assert look.left_out == ("row 3 of events",)


def test_a_store_put_back_from_a_copy_is_another_course(tmp_path: Path) -> None:
    """The forwarder holds the file open while another is put in its place, which then goes on by itself."""
    path, copy = tmp_path / "store.sqlite", tmp_path / "copy.sqlite"
    weigh(path)
    with Store(path) as store:
        store.backup(copy)
    weigh(path)
    source = StoreSource(path, "bench-1")
    before = source.look({"events": (0, 10_000)})
    with Store(path) as store, Store(copy) as restored:
        assert restored.take_up(store.mark())
    for end in ("-wal", "-shm"):
        path.with_name(path.name + end).unlink(missing_ok=True)
    copy.replace(path)
    after = source.look({"events": (0, 10_000)})
    source.close()
    assert (after.course.bench, after.course.store) == (before.course.bench, before.course.store)
    assert after.course.epoch != before.course.epoch
    assert after.batches[0].last < before.batches[0].last
