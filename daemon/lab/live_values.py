"""What a bench's daemon says now, for dashboards: read by a client that only watches, shown, forgotten."""

from __future__ import annotations

import json
import threading
from pathlib import Path
from typing import Any

from ..protocol import Snapshot
from ..server.client import Client, ClientError
from .broker import BrokerConnection

#: How often, s.
EVERY = 1.0
#: The daemon answers within this time, s.
PATIENCE = 5.0


class LiveValues:
    """A thread of the forwarder's own: whatever the daemon does, forwarding goes on."""

    def __init__(self, daemon: Path, topic: str, link: BrokerConnection) -> None:
        self._daemon, self._topic, self._link = daemon, topic, link
        self._stop = threading.Event()
        self._thread = threading.Thread(target=self._run, name="live values", daemon=True)

    def start(self) -> None:
        """Begin to show."""
        self._thread.start()

    def stop(self) -> None:
        """End, and wait for it."""
        self._stop.set()
        self._thread.join(2 * PATIENCE)

    def _run(self) -> None:
        client: Client | None = None
        while not self._stop.wait(EVERY):
            try:
                if client is None:
                    client = Client.connect(self._daemon, PATIENCE)
                    client.call("control.renounce")
                values = live_values(client.call("snapshot"))
            except ClientError as error:
                client, values = None, {"why": str(error)}
            self._link.show(self._topic, json.dumps(values).encode())
        if client is not None:
            client.close()


def live_values(snapshot: Snapshot) -> dict[str, Any]:
    """The few values of a dashboard, in the units of people: g, s."""
    live, run = snapshot["live"], snapshot["run"]
    values: dict[str, Any] = {"utc": snapshot["utc"], "reading_g": None, "accepted": None, "run": None}
    if live is not None and live["reading_kg"] is not None:
        values |= {"reading_g": round(live["reading_kg"] * 1e3, 7), "accepted": live["accepted"]}
    if run is not None:
        kept = ("id", "sample", "state", "why", "steps_done", "seconds_left")
        values["run"] = {key: run[key] for key in kept} | {"steps": len(run["steps"])}
    return values
