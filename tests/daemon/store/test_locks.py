"""One daemon a store file, whatever its name, and one a socket; the second hears who has it."""

from __future__ import annotations

import os
from pathlib import Path

import pytest

from tests.support.daemon import Served
from weighloop.daemon.service import Daemon
from weighloop.daemon.store.locks import AlreadyRunning, FileLock, StoreLock
from weighloop.daemon.store.store import Store


@pytest.mark.parametrize("link", [os.symlink, os.link])
def test_another_name_of_the_file_is_the_same_store(tmp_path: Path, link) -> None:
    (tmp_path / "elsewhere").mkdir()
    with Served(tmp_path) as daemon:
        other = tmp_path / "elsewhere" / "other.sqlite"
        link(daemon.store, other)
        with pytest.raises(AlreadyRunning, match=f"process {os.getpid()}"):
            Daemon(other)


def test_a_socket_is_not_taken_from_the_one_who_has_it(tmp_path: Path) -> None:
    import asyncio

    (tmp_path / "second").mkdir()
    with Served(tmp_path) as daemon, daemon.client() as client:
        second = Daemon(tmp_path / "second" / "store.sqlite")
        with pytest.raises(AlreadyRunning, match="another daemon owns the socket") as refused:
            asyncio.run(second.run(daemon.place, None, None))
        assert str(daemon.store) in str(refused.value)
        assert client.call("status")["well"]
        Daemon(tmp_path / "second" / "store.sqlite").lock.release()  # the second has released its store
    assert not daemon.place.exists()


def test_a_store_remembers_how_far_it_had_come(tmp_path: Path) -> None:
    path = tmp_path / "store.sqlite"
    lock = StoreLock(path, tmp_path / "locks")
    lock.take()
    assert lock.seen is None
    with Store(path) as store:
        store.append([(None, 1.0, "2026-01-01T00:00:00Z", "note", "a note", {}, None)])
        lock.name_file()
        mark = store.mark()
        lock.say(mark=list(mark), socket="here")
    lock.release()
    again = StoreLock(path, tmp_path / "locks")
    again.take()
    assert again.seen == mark
    again.release()
    assert list((tmp_path / "locks").iterdir()) == []


def test_a_lock_file_with_anything_in_it_is_a_lock_file(tmp_path: Path) -> None:
    for said in (b"", b"\xff\x00", b"[1]", b"{", b'{"mark": 7}'):
        (tmp_path / "store.sqlite.lock").write_bytes(said)
        lock = StoreLock(tmp_path / "store.sqlite", tmp_path)
        lock.take()
        assert lock.seen is None
        lock.release()
    one, other = FileLock(tmp_path / "l", "it"), FileLock(tmp_path / "l", "it")
    one.take(store="a")
    with pytest.raises(AlreadyRunning, match="store a"):
        other.take()
    one.release()
    other.take()
    other.release()
