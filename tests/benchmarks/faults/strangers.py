"""Strangers and bad files: what is attacked, how often, and what came of it.

    python -m tests.benchmarks.faults.strangers

Odd calls: the methods of the protocol with parameters of other types, and lines that are no request, sent
to a real daemon. Files, dialects and options: ``tests/support/strange_files.py``, each read by its verb in a
process of its own. Doors: calls over TCP without a key, and acts with the key to watch (the browser's door
is tried by tests/system/screen/test_web.py). A case is lost where its connection ends, hung after 20 s,
believed where the verb is content, let in where a stranger is answered.
"""

from __future__ import annotations

import json
import os
import random
import socket
import subprocess
import sys
import tempfile
from collections import Counter
from pathlib import Path
from typing import Any

from tests.support.daemon import Served
from tests.support.strange_files import cases
from weighloop.daemon.protocol import METHODS
from weighloop.daemon.server.client import Client, ClientError

HUNG_AFTER = 20.0
ODD: list[Any] = [
    None,
    True,
    -1,
    0,
    1.5,
    2**63,
    2**70,
    1e308,
    "",
    "x",
    "\ud800",
    "\x00",
    "\x1b[2J",
    "9" * 400,
]
ODD += ["9" * 400, [], [1], [[]], {}, {"a": []}, "0001-01-01T00:00+23:59", "x" * 20_000]
LINES = [b"[]", b"null", b"{", b"\xff", b'{"id": NaN, "method": "status"}']
LINES += [b'{"id": 1e999, "method": "status"}', b'{"id": {}, "method": "status"}']
LINES += [b'{"method": ' + b"[" * 100_000, b'{"id": ' + b"9" * 5000 + b"}"]


def odd_calls(count: Counter[str], rng: random.Random) -> None:
    """Every parameter of every method with every odd value, alone and with others."""
    with tempfile.TemporaryDirectory() as folder, Served(Path(folder)) as daemon:
        line = socket.socket(socket.AF_UNIX)
        line.settimeout(HUNG_AFTER)
        line.connect(str(daemon.place))
        file = line.makefile("rb")
        file.readline()

        def ask(request: bytes) -> None:
            count["cases"] += 1
            line.sendall(request + b"\n")
            try:
                while "id" not in (answer := json.loads(file.readline() or b'{"id": 0, "gone": 1}')):
                    pass
            except TimeoutError:
                count["hung"] += 1
                return
            count["lost"] += "gone" in answer
            count["tracebacks"] += answer.get("error", {}).get("code") == -32603

        ask(b'{"id": 0, "method": "control.take"}')
        for request in LINES:
            ask(request)
        for method, (_, params, _, _) in METHODS.items():
            if method in ("shutdown", "control.renounce"):
                continue
            for key in params:
                for value in ODD:
                    more = {k: rng.choice(ODD) for k in params if rng.random() < 0.3}
                    ask(json.dumps({"id": 1, "method": method, "params": more | {key: value}}).encode())
        file.close()
        line.close()


def strange_files(count: Counter[str], kinds: tuple[str, ...]) -> None:
    """Each file by its verb."""
    environment = {k: v for k, v in os.environ.items() if k != "TEXTUAL_DRIVER"}
    for case in cases():
        if case.kind not in kinds:
            continue
        count["cases"] += 1
        with tempfile.TemporaryDirectory() as folder:
            path = Path(folder) / ("x.toml" if case.kind == "dialect" else "x")
            case.make(path)
            words = [word.format(x=path) for word in case.verb]
            try:
                done = subprocess.run(
                    [sys.executable, "-m", "weighloop.tui.cli", *words],
                    capture_output=True, text=True, timeout=HUNG_AFTER, cwd=folder,
                    stdin=subprocess.DEVNULL, env=environment,
                )  # fmt: skip
            except subprocess.TimeoutExpired:
                count["hung"] += 1
                continue
            except ValueError:  # a word no call can have, such as one with a NUL
                count["cases"] -= 1
                continue
            count["wrong believed"] += done.returncode == 0 or bool(done.stdout)
            count["tracebacks"] += "Traceback" in done.stderr or "unforeseen" in done.stderr


def doors(count: Counter[str]) -> None:
    """What only those with a key may do, without one."""
    with tempfile.TemporaryDirectory() as folder, Served(Path(folder), tcp=("127.0.0.1", 0)) as daemon:
        watch = daemon.place.with_suffix(".watch.tcp")
        place = json.loads(watch.read_text())
        acting = [name for name, (_, _, _, acts) in METHODS.items() if acts] + ["control.take"]
        with Client.connect(watch) as client:
            for method in acting:
                count["cases"] += 1
                try:
                    client.call(method)
                    count["let in"] += 1
                except ClientError:
                    pass
        for method in METHODS:
            count["cases"] += 1
            with socket.create_connection((place["host"], place["port"]), HUNG_AFTER) as line:
                file = line.makefile("rb")
                file.readline()
                params = {"token": "guess"} if method == "authenticate" else {}
                line.sendall(json.dumps({"id": 1, "method": method, "params": params}).encode() + b"\n")
                count["let in"] += "result" in json.loads(file.readline())


def rows() -> dict[str, Counter[str]]:
    """By kind, what came of all of it."""
    found: dict[str, Counter[str]] = {"odd calls of the protocol": Counter()}
    odd_calls(found["odd calls of the protocol"], random.Random(17))
    kinds = {"bench files, notebooks, streams": ("bench file", "notebook", "stream")}
    kinds |= {"data packages": ("package",), "dialects": ("dialect",), "options": ("option",)}
    for name, chosen in kinds.items():
        strange_files(found.setdefault(name, Counter()), chosen)
    doors(found.setdefault("calls without the key to act", Counter()))
    return found


def main() -> None:
    """Print what came of each."""
    for name, count in rows().items():
        print(f"{name}: {dict(count)}")


if __name__ == "__main__":
    main()
