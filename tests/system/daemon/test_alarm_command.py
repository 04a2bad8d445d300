"""The alarm's command is a program of the user's: it gets the event on its standard input."""

import json
import sys
import time
from pathlib import Path

from weighloop.daemon.health import Alarm


def test_the_command_gets_the_event(tmp_path: Path) -> None:
    out = tmp_path / "heard.json"
    script = tmp_path / "hook.py"
    script.write_text(f"import sys; open({str(out)!r}, 'w').write(sys.stdin.read())")
    alarm = Alarm(f"{sys.executable} {script}")
    alarm({"kind": "held", "text": "the balance"})
    end = time.monotonic() + 20
    while not (out.exists() and out.stat().st_size) and time.monotonic() < end:
        time.sleep(0.02)
    assert json.loads(out.read_text()) == {"kind": "held", "text": "the balance"}
