"""A daemon that may open few files: a crowd of clients leaves it what it needs itself."""

from __future__ import annotations

import os
import socket
import subprocess
import sys
import time
from pathlib import Path

import pytest

from weighloop.daemon.server.client import Client, ClientError
from weighloop.daemon.server.listener import FEWEST_CLIENTS


@pytest.mark.skipif(os.name == "nt", reason="needs limits of the system's")
def test_a_crowd_of_clients_takes_no_file_handle_from_the_daemon(tmp_path: Path) -> None:
    place, log = tmp_path / "d.sock", tmp_path / "log"
    limited = "import resource, runpy, sys; resource.setrlimit(resource.RLIMIT_NOFILE, (60, 60));"
    limited += "sys.argv[0] = 'daemon'; runpy.run_module('weighloop.daemon', run_name='__main__')"
    command = [sys.executable, "-c", limited, "--store", str(tmp_path / "s.sqlite"), "--socket", str(place)]
    with log.open("wb") as file:
        daemon = subprocess.Popen(command, stderr=file)
    try:
        end = time.monotonic() + 90
        while not place.exists():
            assert time.monotonic() < end
            time.sleep(0.02)
        crowd = []
        for _ in range(100):
            line = socket.socket(socket.AF_UNIX)
            line.connect(str(place))
            crowd.append(line)
        time.sleep(2)
        heard = [line.makefile("rb").readline() for line in crowd]
        assert sum(b"greeting" in line for line in heard) == FEWEST_CLIENTS
        assert b"clients are served" in heard[-1]
        for line in crowd:
            line.close()
        while True:
            try:
                with Client.connect(place, timeout=5) as client:
                    assert client.call("status")["well"]
                break
            except ClientError:
                assert time.monotonic() < end
                time.sleep(0.2)
    finally:
        daemon.terminate()
        assert daemon.wait(30) == 0
    said = log.read_text()
    assert "Traceback" not in said
    assert len(said.splitlines()) < 10, said
