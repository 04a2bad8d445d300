"""The alarm's command is a program of the user's: it gets the event on its standard input."""

import json
import sys
import time
from pathlib import Path

from weighloop.daemon.alarms import Alarms


def test_the_command_gets_the_event(tmp_path: Path) -> None:
    out = tmp_path / "heard.json"
    script = tmp_path / "hook.py"
    script.write_text(f"import sys; open({str(out)!r}, 'w').write(sys.stdin.read())")
    alarm = Alarms([f"{sys.executable} {script}"])
    alarm({"kind": "held", "text": "the balance"})
    end = time.monotonic() + 60
    while not (out.exists() and out.stat().st_size) and time.monotonic() < end:
        time.sleep(0.02)
    heard = json.loads(out.read_text())
    assert (heard["kind"], heard["text"]) == ("held", "the balance")
    assert "Look at the bench" in heard["body"]
