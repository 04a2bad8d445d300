"""Health, clocks, acquisition, places: the small parts one by one."""

import json
import os
import socket
import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest

from weighloop.daemon import health
from weighloop.daemon.acquisition.level import Acquisition, Decimator, Limits
from weighloop.daemon.clock import StepWatch, start_after
from weighloop.daemon.health import Alarm, DiskGuard, Repeats
from weighloop.daemon.simulation.twin_process import TwinError, TwinProcess
from weighloop.drivers.device import BalanceReading


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


class TestClocks:
    def test_a_step_of_the_wall_clock_is_seen_once_and_either_way(self) -> None:
        watch = StepWatch(1000.0, 0.0)
        assert watch.look(1010.0, 10.0) is None
        assert watch.look(1011.0 + 3600.0, 11.0) == pytest.approx(3600.0)
        assert watch.look(1012.0 + 3600.0, 12.0) is None
        assert watch.look(1013.0 - 7200.0, 13.0) == pytest.approx(-10800.0)

    def test_the_daemon_s_clock_never_goes_back(self) -> None:
        last = (500.0, "2026-03-01T12:00:00.000Z")
        assert start_after(last, "2026-03-01T12:01:00.000Z", 1.0) == pytest.approx(561.0)
        assert start_after(last, "2026-03-01T11:00:00.000Z", 1.0) == pytest.approx(501.0)
        assert start_after(None, "2026-03-01T11:00:00.000Z", 1.0) == 0.0


class TestAcquisition:
    def test_fast_balances_are_averaged_and_keep_their_mean(self) -> None:
        thinner = Decimator()
        rng = np.random.default_rng(1)
        values = 0.05 + rng.normal(0, 1e-6, 5000)
        out = [
            got
            for i, v in enumerate(values)
            if (got := thinner.feed(BalanceReading(i * 1e-3, float(v), "steady", b"")))
        ]
        assert 80 <= len(out) <= 150  # 5 s at about 20 a second
        assert np.mean([v for _, v, _ in out if v is not None]) == pytest.approx(values.mean(), abs=2e-7)

    def test_ten_a_second_pass_as_they_are(self) -> None:
        thinner = Decimator()
        for i in range(50):
            assert thinner.feed(BalanceReading(i * 0.1, 0.001 * i, None, b"")) == (i * 0.1, 0.001 * i, None)

    def test_range(self) -> None:
        a = Acquisition(1e-6, 2e-6, Limits(0.22, 0.15))
        a.zero = 0.0
        for t in range(3):
            a.feed(BalanceReading(t * 0.1, -0.149, None, b""))
        assert a.out_of_range() is not None
        assert a.out_of_range()[0] == "magnet-lifted"  # type: ignore[index]
        a.feed(BalanceReading(0.4, -0.05, None, b""))
        assert a.out_of_range() is None


class TestDisk:
    def test_too_little_room_is_said_with_both_figures(self, tmp_path: Path) -> None:
        guard = DiskGuard(tmp_path, least=200_000_000, free=lambda path: 150_000_000)
        assert "150 MB" in (guard.trouble() or "")
        assert "200 MB" in (guard.trouble() or "")
        assert DiskGuard(tmp_path, least=1).trouble() is None


class TestAlarm:
    def test_the_command_gets_the_event(self, tmp_path: Path) -> None:
        import time

        out = tmp_path / "heard.json"
        script = tmp_path / "hook.py"
        script.write_text(f"import sys; open({str(out)!r}, 'w').write(sys.stdin.read())")
        alarm = Alarm(f"{sys.executable} {script}")
        alarm({"kind": "held", "text": "the balance"})
        end = time.monotonic() + 20
        while not (out.exists() and out.stat().st_size) and time.monotonic() < end:
            time.sleep(0.02)
        assert json.loads(out.read_text()) == {"kind": "held", "text": "the balance"}


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


@pytest.mark.skipif(os.name != "posix", reason="elsewhere the system always names the folder")
class TestPlaces:
    def test_where_the_system_names_no_folder_for_sockets_nobody_is_bothered(self) -> None:
        """XDG base directory specification: the variable may be missing; the place is then ours to choose."""
        bare = {k: v for k, v in os.environ.items() if k not in ("XDG_RUNTIME_DIR", "WEIGHLOOP_SOCKET")}
        program = "from weighloop.daemon.paths import socket_path; print(socket_path())"
        said = subprocess.run(
            [sys.executable, "-W", "always", "-c", program], env=bare, capture_output=True, text=True
        )
        assert (said.returncode, said.stderr) == (0, "")
        assert Path(said.stdout.strip()).name == "daemon.sock"

    def test_a_twin_that_does_not_start_says_why_in_one_sentence(self) -> None:
        with (
            pytest.raises(TwinError, match=r"^the bench twin did not start: nowhere: no such twin bench; "),
            TwinProcess(sample="nowhere"),
        ):
            pass
