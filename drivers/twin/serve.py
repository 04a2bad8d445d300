"""The bench served in step with life: pseudo-terminals for its devices, a socket for its faults.

One thread. Every few milliseconds the bench's clock is brought up to the machine's (times the
wanted speed), what the hosts wrote is handed in, and what the devices said goes out.
"""

from __future__ import annotations

import json
import os
import selectors
import shutil
import signal
import socket
import stat
import sys
import tempfile
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

from .bench import TwinBench
from .bench_file import bench_file
from .pseudo_port import PseudoPort

#: Time between two looks at the ports, s of life.
TICK = 0.005
#: A machine that slept longer than this has stopped the bench's clock as well, s of life.
SLEPT = 1.0
#: The lift's line speed (its protocol page).
LIFT_BAUD = 57600


class Caller:
    """One connection to the control socket: requests in, answers out, a line each."""

    def __init__(self, connection: socket.socket) -> None:
        self.connection = connection
        self.buffer = b""

    def requests(self) -> list[bytes] | None:
        """The whole lines that have come; None when the other end is gone."""
        try:
            data = self.connection.recv(65536)
        except BlockingIOError:
            return []
        except OSError:
            return None
        if not data:
            return None
        *lines, self.buffer = (self.buffer + data).split(b"\n")
        return [line for line in lines if line.strip()]

    def answer(self, answer: dict[str, Any]) -> None:
        try:
            self.connection.setblocking(True)
            self.connection.sendall(json.dumps(answer).encode() + b"\n")
            self.connection.setblocking(False)
        except OSError:
            pass


class Service:
    """A bench with its ports and its control socket."""

    def __init__(self, bench: TwinBench, speed: float) -> None:
        self.bench, self.speed = bench, speed
        self.folder = Path(tempfile.mkdtemp(prefix="weighloop-twin-"))
        self.ports = {"balance": PseudoPort(bench.voice.baud, self.folder / "balance")}
        if bench.ladder == "lift":
            self.ports["lift"] = PseudoPort(LIFT_BAUD, self.folder / "lift")
        self.selector = selectors.DefaultSelector()
        self.listener = socket.socket(socket.AF_UNIX, socket.SOCK_STREAM)
        self.control = self.folder / "control"
        self.listener.bind(str(self.control))
        self.listener.listen()
        self.listener.setblocking(False)
        self.selector.register(self.listener, selectors.EVENT_READ, self._accept)
        self.running = True
        self._watch_stdin()

    def announce(self) -> dict[str, Any]:
        """Where everything is; writes the bench file a user would have."""
        bench = self.bench
        lift = self.ports["lift"].name if "lift" in self.ports else None
        text = bench_file(
            bench.scenario,
            seed=bench.seed,
            dialect=bench.dialect,
            ladder=bench.ladder,
            balance_port=self.ports["balance"].name,
            lift_port=lift,
            turner=bench.turner,
        )
        path = self.folder / "bench.toml"
        path.write_text(text, encoding="utf-8")
        return {
            "balance": self.ports["balance"].name,
            "lift": lift,
            "control": str(self.control),
            "bench_file": str(path),
            "seed": bench.seed,
            "speed": self.speed,
        }

    def run(self) -> None:
        """Serve until stopped."""
        origin = time.monotonic()
        start = self.bench.now
        while self.running:
            due = start + (time.monotonic() - origin) * self.speed
            if due - self.bench.now > SLEPT * self.speed:
                origin, start = time.monotonic(), self.bench.now
                continue
            for name, port in self.ports.items():
                data = port.read()
                if data:
                    self.bench.write(name, data)
            if due > self.bench.now:
                for line in self.bench.advance(due - self.bench.now):
                    if line.port in self.ports:
                        self.ports[line.port].write(line.data)
            for key, _ in self.selector.select(TICK):
                key.data()

    def close(self) -> None:
        for port in self.ports.values():
            port.unplug()
        self.listener.close()
        self.selector.close()
        shutil.rmtree(self.folder, ignore_errors=True)

    def stop(self, *_: object) -> None:
        self.running = False

    def _watch_stdin(self) -> None:
        """Whoever started the twin through a pipe ends it by closing the pipe."""
        try:
            fd = sys.stdin.fileno()
            watchable = stat.S_ISFIFO(os.fstat(fd).st_mode) or stat.S_ISSOCK(os.fstat(fd).st_mode)
        except (AttributeError, OSError, ValueError):
            return
        if watchable or os.isatty(fd):
            self.selector.register(
                fd, selectors.EVENT_READ, lambda: None if os.read(fd, 4096) else self.stop()
            )

    def _accept(self) -> None:
        connection, _ = self.listener.accept()
        connection.setblocking(False)
        client = Caller(connection)
        self.selector.register(connection, selectors.EVENT_READ, lambda: self._serve(client))

    def _serve(self, client: Caller) -> None:
        requests = client.requests()
        if requests is None:
            self.selector.unregister(client.connection)
            client.connection.close()
            return
        for raw in requests:
            try:
                request = json.loads(raw)
                if not isinstance(request, dict):
                    raise ValueError("not an object")
            except ValueError as error:
                client.answer({"ok": False, "why": f"not a JSON object on one line: {error}"})
                continue
            if request.get("do") in ("unplug", "plug"):
                client.answer(self._plug(request))
            else:
                self.bench.begin(request, client.answer)

    def _plug(self, request: dict[str, Any]) -> dict[str, Any]:
        port = self.ports.get(str(request.get("port", "balance")))
        if port is None:
            return {"ok": False, "why": f"port {request.get('port')!r}: one of {', '.join(self.ports)}"}
        if request["do"] == "unplug":
            port.unplug()
        elif not port.plugged:
            port.plug()
            if port is self.ports.get("lift"):
                self.bench.lift.reset(cause=1)  # the controller lives on its port's supply
        return {"ok": True, "port": port.name}


def serve(bench: TwinBench, speed: float = 1.0, say: Callable[[str], object] = print) -> None:
    """Serve a bench until standard input closes or the process is asked to end.

    ``say`` gets one JSON line when everything is ready: the ports' names, the control socket, the
    bench file.
    """
    service = Service(bench, speed)
    for number in (signal.SIGTERM, signal.SIGINT):
        signal.signal(number, service.stop)
    try:
        say(json.dumps(service.announce()))
        service.run()
    finally:
        service.close()
