"""What is published to clients, and how often. Only in the controller's thread."""

from __future__ import annotations

import logging
import time
from collections.abc import Callable
from typing import Any

from ..acquisition.level import Acquisition
from ..clock import utc_now
from ..procedure.events import BenchState
from ..procedure.next_task import action_of, as_seen
from ..procedure.run import LogEvent, RunRecord, to_protocol
from ..protocol import LogLine, Snapshot, StoreIdentity, Topic
from .devices import BenchDevices
from .settings import DEVICES_EVERY, LIVE_EVERY, LOG_SHOWN

log = logging.getLogger(__name__)


def log_line(event: LogEvent) -> LogLine:
    """One event of the log as clients see it."""
    return {"id": event.id, "run": event.run, "utc": event.utc, "kind": event.kind, "text": event.text}


class Publisher:
    """Publishes what has changed; ``publish(topic, data)`` is called after what it tells of was committed."""

    def __init__(self, publish: Callable[[Topic, Any], None], devices: BenchDevices) -> None:
        self.publish, self.devices = publish, devices
        self.log: list[LogLine] = []
        self.controller: str | None = None
        self.bench_text = ""  # of the bench file named at the start
        self.identity: StoreIdentity = {"uuid": "", "epoch": ""}
        self._published: Any = None
        self._live_at = self._devices_at = 0.0

    def take_up(self, last_events: Callable[[int], list[LogEvent]]) -> None:
        """The log's end as the session before left it; what its alarms are about stands in it anyway."""
        events = last_events(LOG_SHOWN)
        self.log = [log_line(event) for event in events if not event.kind.startswith("alarm")]

    def committed(self, event: LogEvent, run: RunRecord | None) -> None:
        """An event stands in the store: now others may hear of it."""
        line = log_line(event)
        self.log = [*self.log[-LOG_SHOWN + 1 :], line]
        log.info("%s%s: %s", f"run {event.run} " if event.run is not None else "", event.kind, event.text)
        self.publish("log", line)
        if event.kind in ("zero", "point"):
            self.publish("point", {**event.data["point"], "id": event.id})
        elif event.kind == "set-aside" and run is not None and run.id == event.run:
            for point in run.points:
                if point["id"] == event.data["point"]:
                    self.publish("point", point)

    def devices_changed(self) -> None:
        """Tell of the devices at the next turn."""
        self._devices_at = 0.0

    def publish_changes(
        self,
        run: RunRecord | None,
        stage: BenchState,
        acquisition: Acquisition | None,
        live: bool,
    ) -> bool:
        """Publish what is new; ``live``: there are new readings. True when those were published."""
        now = time.monotonic()
        run = None if run is None else as_seen(run, stage)
        action = None if run is None else action_of(run, stage)
        if (run, action) != self._published:
            self._published = (run, action)
            self.publish("run", None if run is None else to_protocol(run, action))
        if now - self._devices_at >= DEVICES_EVERY:
            self._devices_at = now
            both = {"balance": self.devices.balance_device(), "lift": self.devices.lift_device()}
            self.publish("device", both)
        if not live or acquisition is None or now - self._live_at < LIVE_EVERY:
            return False
        heard = acquisition.live()
        if heard is None:  # bytes came, but no reading yet
            return False
        self._live_at = now
        self.publish("live", heard)
        return True

    def snapshot(
        self,
        run: RunRecord | None,
        stage: BenchState,
        acquisition: Acquisition | None,
        clock_s: float,
    ) -> Snapshot:
        """Everything needed to draw a screen."""
        run = None if run is None else as_seen(run, stage)
        return {
            "utc": utc_now(),
            "clock_s": clock_s,
            "balance": self.devices.balance_device(),
            "lift": self.devices.lift_device(),
            "live": acquisition.live() if acquisition is not None else None,
            "run": None if run is None else to_protocol(run, action_of(run, stage)),
            "log": self.log,
            "controller": self.controller,
            "bench_text": self.bench_text,
            "store": self.identity,
        }
