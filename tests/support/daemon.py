"""A real daemon in this process: its own threads, its own socket, a store in a folder of the test."""

from __future__ import annotations

import asyncio
import threading
import time
from pathlib import Path
from types import TracebackType

from weighloop.daemon.health import DiskGuard
from weighloop.daemon.server.client import Client
from weighloop.daemon.service import Daemon
from weighloop.daemon.store.store import StoreError


class Served:
    """Serves while the context lasts."""

    def __init__(
        self,
        folder: Path,
        *,
        tcp: tuple[str, int] | None = None,
        act_from_afar: bool = False,
        bench: Path | None = None,
        rate: float = 1.0,
        disk: DiskGuard | None = None,
    ) -> None:
        self.place = folder / "d.sock"
        self.store = folder / "store.sqlite"
        self.daemon = Daemon(self.store, clock_rate=rate, disk=disk)
        self.failed = ""  # what it said in the end, where it was not well
        self._thread = threading.Thread(target=self._run, args=(bench, tcp, act_from_afar))

    def _run(self, bench: Path | None, tcp: tuple[str, int] | None, act_from_afar: bool) -> None:
        try:
            asyncio.run(self.daemon.run(self.place, bench, tcp, act_from_afar))
        except StoreError as error:
            self.failed = str(error)

    def __enter__(self) -> Served:
        self._thread.start()
        end = time.monotonic() + 60
        while not self.place.exists():
            assert time.monotonic() < end, "the daemon does not serve"
            time.sleep(0.005)
        return self

    def client(self, control: bool = False) -> Client:
        client = Client.connect(self.place)
        if control:
            client.call("control.take", name="the test", force=True)
        return client

    def __exit__(
        self, kind: type[BaseException] | None, value: BaseException | None, trace: TracebackType | None
    ) -> None:
        loop = self.daemon.loop
        if loop is not None and not loop.is_closed():
            loop.call_soon_threadsafe(self.daemon.stop)
        self._thread.join(40)
        assert not self._thread.is_alive(), "the daemon does not end"
