"""What a fresh interpreter loads on the way to a serving daemon: nothing heavy."""

import subprocess
import sys

HEAVY = ("scipy", "pandas", "magpylib", "pint", "pydantic", "matplotlib", "textual")


def test_the_daemon_starts_without_the_heavy_libraries(tmp_path) -> None:
    code = f"""
import sys, threading, time
from pathlib import Path
from weighloop.daemon.service import Daemon
import asyncio
from weighloop.daemon.server.client import Client
daemon = Daemon(Path({str(tmp_path / "s.sqlite")!r}))
place = Path({str(tmp_path / "d.sock")!r})
thread = threading.Thread(target=lambda: asyncio.run(daemon.run(place, None, None)))
thread.start()
while not place.exists():
    time.sleep(0.01)
with Client.connect(place) as client:
    client.call("snapshot"), client.call("status"), client.call("runs.list")
    client.call("control.take", name="test", force=False)
    client.call("shutdown")
thread.join(20)
print([name for name in {HEAVY!r} if name in sys.modules])
"""
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, timeout=60)
    assert done.stdout.strip() == "[]", done.stdout + done.stderr
