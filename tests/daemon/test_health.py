"""Faults told once, disk space, the alarm's command, the watchdog, and what the status says."""

import os
import socket
from pathlib import Path

import pytest

from weighloop.daemon import health
from weighloop.daemon.health import DiskGuard, Repeats


class TestRepeats:
    def test_first_counted_last(self) -> None:
        now = [0.0]
        repeats = Repeats(every=600.0, now=lambda: now[0])
        assert repeats.say("line", "refused") == ["refused"]
        for _ in range(500):
            now[0] += 1.0
            assert repeats.say("line", "refused") == []
        now[0] += 200.0
        assert repeats.say("line", "refused") == ["refused (500 more times)", "refused"]

    def test_another_fault_is_said_at_once(self) -> None:
        repeats = Repeats()
        assert repeats.say("line", "a") == ["a"]
        assert repeats.say("line", "b") == ["b"]

    def test_ever_new_words_do_not_grow_without_end(self) -> None:
        repeats = Repeats()
        for number in range(1000):
            repeats.say("line", f"fault {number}")
        assert sum(len(known) for known in repeats._seen.values()) <= 51


class TestDisk:
    def test_too_little_room_is_said_with_both_figures(self, tmp_path: Path) -> None:
        guard = DiskGuard(tmp_path, least=200_000_000, free=lambda path: 150_000_000)
        assert "150 MB" in (guard.trouble() or "")
        assert "200 MB" in (guard.trouble() or "")
        assert DiskGuard(tmp_path, least=1).trouble() is None


@pytest.mark.skipif(not hasattr(socket, "AF_UNIX"), reason="no Unix sockets here")
class TestWatchdog:
    """The notification protocol: sd_notify(3), datagrams of NAME=value to $NOTIFY_SOCKET."""

    def test_notify(self, tmp_path: Path, monkeypatch) -> None:
        with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as manager:
            manager.bind(str(tmp_path / "notify"))
            monkeypatch.setenv("NOTIFY_SOCKET", str(tmp_path / "notify"))
            assert health.sd_notify("WATCHDOG=1")
            assert manager.recv(100) == b"WATCHDOG=1"

    def test_interval_is_well_below_the_limit(self, monkeypatch) -> None:
        monkeypatch.setenv("WATCHDOG_USEC", "30000000")
        monkeypatch.setenv("WATCHDOG_PID", str(os.getpid()))
        assert health.watchdog_interval() == pytest.approx(10.0)
        monkeypatch.setenv("WATCHDOG_PID", "1")
        assert health.watchdog_interval() is None

    def test_fed_only_while_readings_advance_or_the_state_explains_why_not(self) -> None:
        ready = {"state": "ready", "why": "", "age_s": 0.1}
        running = {"id": 1, "state": "running", "why": ""}
        fine = {"conductor_age_s": 0.0, "run": running, "balance": ready}
        assert health.may_feed(fine)
        assert not health.may_feed({**fine, "balance": {**ready, "age_s": 120.0}})
        assert health.may_feed({**fine, "balance": {"state": "silent", "why": "unplugged", "age_s": 120.0}})
        assert health.may_feed(
            {**fine, "run": {**running, "state": "held"}, "balance": {**ready, "age_s": 99.0}}
        )
        assert not health.may_feed({**fine, "conductor_age_s": 60.0})

    def test_status_says_the_first_reason(self) -> None:
        held = {"id": 4, "state": "held", "why": "the balance: unplugged"}
        assert health.verdict({"run": held}) == (False, "run 4 is held: the balance: unplugged")
        assert health.verdict({"run": None}) == (True, "")
