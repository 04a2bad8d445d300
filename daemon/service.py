"""The daemon from start to end: lock, store, runs taken up again, ports, clients, watchdog."""

from __future__ import annotations

import asyncio
import contextlib
import gc
import logging
import signal
import sqlite3
import sys
import threading
import time
from collections.abc import Sequence
from importlib.metadata import PackageNotFoundError
from importlib.metadata import version as installed_version
from pathlib import Path
from typing import Any

from . import health
from . import paths as places
from .alarms import Alarms
from .clock import LongClock, StepWatch, boot_id, start_after, utc_now
from .control.controller import RunController
from .procedure.events import Trouble, TroubleOver
from .procedure.next_task import as_seen
from .procedure.run import ENDED
from .protocol import RunLine, Topic
from .server.handlers import Methods
from .server.server import Server
from .store.connection import in_words
from .store.locks import FileLock, StoreLock
from .store.store import Store, StoreError
from .store_guard import Note, StoreGuard
from .text import number as with_minus
from .text import writable

log = logging.getLogger(__name__)

#: How often the daemon looks at itself, s of the machine's time.
LOOK_EVERY = 1.0
#: How long a thread of the daemon may hold up the others, s (Python's own choice is 5 ms).
SWITCH_EVERY = 5e-4
#: How long the lift may take to the far end when the daemon is ended, s of the machine's time.
LAST_RETREAT = 30.0
#: An age without an end, as JSON can say it, s.
NEVER = 1e9


def program_version() -> str:
    """This program's version."""
    try:
        return installed_version("weighloop")
    except PackageNotFoundError:
        return "unknown"


def _spread(delays: list[float]) -> dict[str, float] | None:
    """Median and worst of the last commits, s; None before there was one."""
    if not delays:
        return None
    return {"median": sorted(delays)[len(delays) // 2], "worst": max(delays), "of": len(delays)}


class Daemon:
    """Everything that runs, put together. ``serve`` is the way in."""

    def __init__(
        self,
        store_path: Path,
        *,
        clock_rate: float = 1.0,
        alarms: Sequence[str] = (),
        disk: health.DiskGuard | None = None,
    ) -> None:
        self.store_path = store_path
        self.version = program_version()
        self.lock = StoreLock(store_path, places.lock_folder())
        try:
            self.lock.take()
        except OSError as error:
            raise StoreError(
                f"the store {store_path} cannot be opened: {in_words(error, store_path)}"
            ) from None
        try:
            self.store = self._open(clock_rate)
        except (StoreError, OSError):
            self.lock.release()
            raise
        self.loop: asyncio.AbstractEventLoop | None = None
        self.server: Server | None = None
        self.disk = disk or health.DiskGuard(store_path.absolute().parent)
        self.disk_trouble: str | None = None
        self.alarm = Alarms(alarms, keep=self._keep_alarm)
        self.guard = StoreGuard(self.store, self.lock, self.alarm, self._post)
        self.log_writer = self.guard.log_writer
        self.alarm.take_up(self.store.undelivered_alarms())
        lines = self.store.runs()
        self.controller = RunController(
            self.log_writer,
            self.clock,
            self._publish,
            alarm=self.alarm,
            first_run=max((line["id"] for line in lines), default=0) + 1,
            identity=self.store.identity,
        )
        self.controller.noise.take_up(self.store.last_data)
        self._take_up(lines)
        self._steps = StepWatch(time.time(), time.monotonic())
        self._stop = threading.Event()
        self._stopped: asyncio.Event | None = None

    def _open(self, clock_rate: float) -> Store:
        """The store, its last session closed and this one begun. Raises StoreError."""
        path = self.store_path
        store = Store(path)
        try:
            self.lock.name_file()
            if (wrong := store.quick_check()) is not None:
                raise StoreError(
                    f"the store {path} is damaged ({wrong}); "
                    f"put a backup in its place, such as {places.backup_file(path)}"
                )
            store.pack_tail(1)  # what the last session left open
            self.clock = LongClock(clock_rate, start_after(store.last_time(), utc_now(), clock_rate))
            if store.take_up(self.lock.seen):
                log.info("the store %s goes on by itself from here: epoch %s", path, store.identity["epoch"])
            store.begin_session(boot_id(), self.version, utc_now(), self.clock.now())
        except sqlite3.Error as error:
            store.close()
            raise StoreError(f"the store {path} cannot be written: {in_words(error, path)}") from None
        except StoreError:
            store.close()
            raise
        return store

    def _take_up(self, lines: list[RunLine]) -> None:
        """The runs as the log left them: what was running is held, what was planned is planned."""
        self.controller.publisher.take_up(self.store.last_events)
        planned = [self.store.record(line["id"]) for line in lines if line["state"] == "planned"]
        begun = [line["id"] for line in lines if line["state"] != "planned"]
        self.controller.queue.take_up(planned, begun, self.store.record)
        if not begun:
            return
        last = self.store.record(begun[-1])
        for warning in last.warnings:
            log.warning("%s", warning)
        if last.state in ENDED:
            self.controller.run = last
        else:
            why = "the daemon was ended in the middle of the run (killed, or the power was cut)"
            why = "; ".join((why if last.state == "running" else last.why, *last.warnings))
            self.controller.resume(last, why)

    def _post(self, what: Trouble | Note) -> None:
        """What the store's guard finds, to the run."""
        if isinstance(what, Trouble):
            self.controller.happen(what)
        else:
            self.controller.post(lambda: self.controller.note(*what))
            self.controller.happen(TroubleOver(what[0]))

    # -- from other threads --------------------------------------------------------------------

    def _publish(self, topic: Topic, data: Any) -> None:
        loop, server = self.loop, self.server
        if topic == "log" and data["kind"] in ("finished", "stopped"):
            threading.Thread(target=self._backup, name="backup", daemon=True).start()
        if loop is not None and server is not None and not loop.is_closed():
            with contextlib.suppress(RuntimeError):  # the loop has just been closed
                loop.call_soon_threadsafe(server.publish, topic, data)

    def _backup(self) -> None:
        """Copy the store while it is in use; the copy before is replaced once the new one is whole."""
        target = places.backup_file(self.store_path)
        fresh = target.with_suffix(".new")
        try:
            fresh.unlink(missing_ok=True)
            with Store(self.store.path, read_only=True) as store:
                store.backup(fresh)
            fresh.replace(target)
        except (StoreError, OSError, sqlite3.Error) as error:
            self.alarm({"kind": "backup", "text": f"the backup {target} could not be made: {error}"})

    def _keep_alarm(self, kind: str, text: str, data: dict[str, Any]) -> None:
        self.log_writer.record(None, self.clock.now(), kind, text, data)

    # -- looking at itself ---------------------------------------------------------------------

    def status(self) -> dict[str, Any]:
        """How the daemon is, for people and for monitoring; ``well`` and ``why`` first."""
        controller = self.controller
        run = controller.run
        seen = None if run is None else as_seen(run, controller.stage)
        facts: dict[str, Any] = {
            "utc": utc_now(),
            "version": self.version,
            "store": str(self.store.path),
            "store_uuid": controller.publisher.identity["uuid"],
            "store_epoch": controller.publisher.identity["epoch"],
            "store_trouble": self.guard.trouble,
            "writer_age_s": min(self.log_writer.waiting_for(), NEVER),
            "disk_free_bytes": self.disk.free(),
            "disk_trouble": self.disk_trouble,
            "conductor_age_s": time.monotonic() - controller.last_turn,
            "watchdog_armed": health.watchdog_interval() is not None,
            "balance": controller.devices.balance_device(),
            "lift": controller.devices.lift_device(),
            "run": None if seen is None else {"id": seen.id, "state": seen.state, "why": seen.why},
            "planned": [r.id for r in controller.queue.waiting],
            "alarms_undelivered": self.alarm.undelivered(),
            "clients": len(self.server.connections) if self.server is not None else 0,
            "raw_let_go": self.log_writer.raw_dropped,
            "commit_s": _spread(list(self.log_writer.delays)),
        }
        well, why = health.verdict(facts)
        return {"well": well, "why": why, **facts}

    def may_start(self) -> str | None:
        """Why no run may start now, or None."""
        return self.disk.trouble() or (f"the store: {self.guard.trouble}" if self.guard.trouble else None)

    def look(self) -> None:
        """Once a second: disk, the store's file and its writer, clock."""
        self.guard.look()
        trouble = self.disk.trouble()
        if trouble is not None and self.disk_trouble is None:
            self.log_writer.keep_raw = False
            self.alarm({"kind": "disk", "text": trouble})
            self.controller.happen(Trouble("disk", trouble))
        elif trouble is None and self.disk_trouble is not None:
            self.log_writer.keep_raw = True
            self._post(("disk", "There is room on the disk again."))
        self.disk_trouble = trouble
        step = self._steps.look(time.time(), time.monotonic())
        if step is not None:
            by = with_minus(step, "+.0f")
            self._post(("clock", f"The wall clock was set by {by} s; no reading's time is touched."))

    # -- running -------------------------------------------------------------------------------

    async def run(
        self,
        socket_path: Path,
        bench: Path | None,
        tcp: tuple[str, int] | None,
        act_from_afar: bool = False,
    ) -> None:
        """Until ``stop``.

        Raises OSError where the socket's place cannot be used, AlreadyRunning where another daemon has it,
        and StoreError where in the end not everything could be written.
        """
        self.loop = asyncio.get_running_loop()
        here = FileLock(socket_path.with_name(socket_path.name + ".lock"), f"the socket {socket_path}")
        try:
            here.take(store=str(self.store_path))
        except (OSError, StoreError):
            self.store.close()
            self.lock.release()
            raise
        self.lock.say(socket=str(socket_path))
        self._stopped = asyncio.Event()
        if bench is not None:
            with contextlib.suppress(OSError, UnicodeDecodeError):  # reported when its devices are opened
                self.controller.publisher.bench_text = bench.read_text(encoding="utf-8-sig")
        methods = Methods(
            self.controller, self.store_path, self.version, self.status, self.stop, self.may_start
        )
        self.server = Server(
            methods.handlers(),
            self.version,
            control_changed=self._control_changed,
            watched=self._watched,
        )
        if tcp is not None:
            place = socket_path.with_suffix(".tcp")
            await self.server.listen_tcp(*tcp, place, act_from_afar=act_from_afar)
        if places.has_unix_sockets():
            await self.server.listen_unix(socket_path)
        elif tcp is None:
            await self.server.listen_tcp("127.0.0.1", 0, socket_path)
        self.log_writer.start()
        self.controller.start()
        for number in (signal.SIGTERM, signal.SIGINT):
            with contextlib.suppress(NotImplementedError, RuntimeError, ValueError):
                self.loop.add_signal_handler(number, self.stop)
        # In a thread: the bench's libraries take half a second, clients need not wait for it.
        threading.Thread(target=self._open_bench, args=(bench,), daemon=True).start()
        health.sd_notify(f"READY=1\nSTATUS=store {self.store_path}")
        log.info("ready; store %s, clients at %s", self.store_path, socket_path)
        watcher = asyncio.create_task(self._watch())
        try:
            await self._stopped.wait()
        finally:
            watcher.cancel()
            await asyncio.gather(watcher, return_exceptions=True)
            health.sd_notify("STOPPING=1")
            fault = await asyncio.to_thread(self._end)
            await self.server.close()
            here.release(remove=True)
        if fault:
            raise StoreError(fault)

    def _open_bench(self, path: Path | None) -> None:
        """Open the devices of the run that is to be taken up again, else those of the bench named."""
        run = self.controller.run
        taken_up = run is not None and run.state not in ENDED
        if path is None and not taken_up:
            return
        name = writable(f"bench of run {run.id}" if run is not None and taken_up else str(path))
        try:
            from ..analysis.files.bench_file import parse_bench, read_bench

            if run is not None and taken_up:
                bench, target = parse_bench(run.bench_text, name), run.target_u_kg
            else:
                assert path is not None
                bench, target = read_bench(path), None
            self.controller.call(lambda: self.controller.use_bench(bench, target)).result(30)
        except Exception as error:
            log.error("the %s cannot be opened: %s", name, writable(str(error)))
            text = f"The {name} cannot be opened: {error}"
            self.controller.post(lambda: self.controller.note("bench", text))

    async def _watch(self) -> None:
        feed_every = health.watchdog_interval()
        fed = 0.0
        while True:
            await asyncio.sleep(min(LOOK_EVERY, feed_every or LOOK_EVERY))
            try:
                await asyncio.to_thread(self.look)
                due = feed_every is not None and time.monotonic() - fed >= feed_every * 0.9
                if due and health.may_feed(self.status()):
                    health.sd_notify("WATCHDOG=1")
                    fed = time.monotonic()
            except Exception:
                log.exception("the daemon could not look at itself")

    def _control_changed(self, name: str | None) -> None:
        self.controller.publisher.controller = name

    def _watched(self, live: bool) -> None:
        self.controller.watched = live

    def stop(self) -> None:
        """End the daemon, from the loop's thread."""
        if self._stopped is not None:
            self._stopped.set()

    def _end(self) -> str:
        """Hold the run, retreat the lift, write what waits, release the store; returns what went wrong."""
        controller = self.controller
        run = controller.run
        if run is not None and run.state == "running":
            controller.happen(Trouble("restart", "the daemon was stopped"))
        deadline = time.monotonic() + LAST_RETREAT
        while time.monotonic() < deadline:
            time.sleep(0.05)
            stage = controller.stage
            moving = stage.task is not None and stage.task.driven
            if controller.inbox.empty() and not stage.unrecorded and not moving:
                break
            if self.guard.trouble:
                break
        controller.close()
        fault = self.guard.end()
        self.store.close()
        self.lock.release()
        return fault


def serve(
    socket_path: Path | None = None,
    store_path: Path | None = None,
    *,
    clock_rate: float = 1.0,
    bench: Path | None = None,
    alarms: Sequence[str] = (),
    tcp: tuple[str, int] | None = None,
    act_from_afar: bool = False,
    disk_least: int = health.DISK_LEAST,
) -> None:
    """Own the ports and the store and serve clients, until asked to stop.

    ``clock_rate`` above 1 is for rehearsals on a twin of the same speed. ``tcp`` (host, port)
    listens there as well, with a key for watching and one for acting; beyond loopback the latter only
    with ``act_from_afar``. Raises StoreError for a store that cannot be used or is
    owned by another daemon.
    """
    # The writer must not wait long for a thread that serves clients; nor for a look at all that was loaded.
    sys.setswitchinterval(SWITCH_EVERY)
    gc.freeze()
    store = store_path or places.store_file()
    disk = health.DiskGuard(store.absolute().parent, disk_least)
    daemon = Daemon(store, clock_rate=clock_rate, alarms=alarms, disk=disk)
    asyncio.run(daemon.run(socket_path or places.socket_path(), bench, tcp, act_from_afar))
