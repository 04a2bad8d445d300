"""The screen: time to the first paint, and its share of one core at ten readings a second.

First on a script instead of a daemon, then attached to a daemon on the bench twin, on which a person keeps
a run going and readings are taken, with a store that is empty or holds a million readings of that run; there
the whole command in a terminal too, from its start to the words of the run. Each first paint in a fresh
interpreter, with the byte code that an installed program has; beside it its own processor time, and how many
of the machine's cores were at work on something else: where all are, a paint is not the screen's alone.
A share of a core is that of the screen with the process that computes for it. The figures view is looked at
in the middle of a long run, where the figures take longest, over a whole round of computing.
Bars: first paint under 1 s; under 5 % of a core at 10 readings/s; a million readings change neither.

    python -m tests.benchmarks.speed.screen [--seconds S] [--stored N] [--only-first-paint] [--json]
"""

from __future__ import annotations

import argparse
import asyncio
import fcntl
import json
import os
import pty
import statistics
import struct
import subprocess
import sys
import tempfile
import termios
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import Any

from tests.benchmarks.speed._processor import machine_busy_s, processor_s
from tests.benchmarks.speed.store_overview import fill

FIRST_PAINT = """
import time; began = time.perf_counter()
import asyncio, json, sys
from tests.support.screen.painting import painted

async def main():
    async with painted(40, (120, 40)):
        print(json.dumps(dict(first_paint_s=time.perf_counter() - began, paint_work_s=time.process_time())))

asyncio.run(main())
"""


@contextmanager
def byte_code() -> Iterator[dict[str, str]]:
    """An environment whose interpreters keep their byte code, in a folder of their own.

    The libraries of linear algebra keep to one thread, as the command line sets it.
    """
    with tempfile.TemporaryDirectory(prefix="weighloop-bytecode-") as folder:
        without = {k: v for k, v in os.environ.items() if k != "PYTHONDONTWRITEBYTECODE"}
        threads = dict.fromkeys(("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS"), "1")
        yield {**without, **threads, "PYTHONPYCACHEPREFIX": folder}


def told(code: str, environment: dict[str, str]) -> str:
    """What a piece of code prints in a fresh interpreter."""
    command = [sys.executable, "-c", code]
    return subprocess.run(command, capture_output=True, text=True, check=True, env=environment).stdout


def paints(code: str, environment: dict[str, str], times: int) -> dict[str, float]:
    """First paints by ``code``: median and worst, their processor time, and what else was at work."""
    told(code, environment)  # the byte code is written by the first of them
    began, others, found = time.perf_counter(), machine_busy_s() - processor_s(), []
    for _ in range(times):
        found.append(json.loads(told(code, environment)))
    others = machine_busy_s() - processor_s() - others
    took = [one["first_paint_s"] for one in found]
    return {
        "first_paint_s": statistics.median(took),
        "worst_paint_s": max(took),
        "paint_work_s": statistics.median(one["paint_work_s"] for one in found),
        "other_cores": others / (time.perf_counter() - began),
    }


def first_paints() -> dict[str, float]:
    """From the interpreter's start of our imports to a painted run view, on a script."""
    code = FIRST_PAINT
    with byte_code() as environment:
        return paints(code, environment, 9)


def in_a_terminal(socket: Path, times: int = 9) -> list[float]:
    """Seconds from the start of ``weighloop tui`` to the run's words in a terminal, ``times`` over."""
    words = [sys.executable, "-m", "weighloop.tui.cli", "tui", "--socket", str(socket)]
    with byte_code() as environment:
        environment |= {"TERM": "xterm-256color", "XDG_STATE_HOME": environment["PYTHONPYCACHEPREFIX"]}
        (Path(environment["XDG_STATE_HOME"]) / "weighloop").mkdir()
        (Path(environment["XDG_STATE_HOME"]) / "weighloop" / "cautions-read").touch()
        return [_until_words(words, environment, b"run 1, ") for _ in range(times + 1)][1:]


def _until_words(command: list[str], environment: dict[str, str], words: bytes) -> float:
    here, there = pty.openpty()
    fcntl.ioctl(there, termios.TIOCSWINSZ, struct.pack("HHHH", 40, 120, 0, 0))
    began = time.perf_counter()
    screen = subprocess.Popen(command, stdin=there, stdout=there, stderr=there, env=environment)
    os.close(there)
    seen = b""
    while words not in seen:
        seen += os.read(here, 65536)
    took = time.perf_counter() - began
    screen.terminate()
    with suppress(OSError):  # what it says on its way out
        while os.read(here, 65536):
            pass
    screen.wait()
    os.close(here)
    return took


#: Until then a view that is new loads what it needs, s: steadiness its first verdict, figures the first ones.
BEGINNING_S = 35.0

ATTACHED = """
import time; began = time.perf_counter()
import asyncio, json, sys
from weighloop.tui.app import WeighloopApp
from weighloop.tui.state.socket_follower import SocketFeed

async def share(seconds):
    from tests.benchmarks.speed._processor import processor_s
    wall, work = time.perf_counter(), processor_s()
    await asyncio.sleep(seconds)
    return (processor_s() - work) / (time.perf_counter() - wall)

async def main():
    app = WeighloopApp(SocketFeed({socket!r}), cautions=False)
    async with app.run_test(size=(120, 40)) as pilot:
        while not app.snapshot.linked:
            await asyncio.sleep(0)
        await pilot.pause()
        found = dict(first_paint_s=time.perf_counter() - began, paint_work_s=time.process_time())
        if not {seconds}:
            print(json.dumps(found))
            return
        for view, key in (("pull", ""), ("M", "m"), ("steadiness", "2"), ("figures", "3")):
            if key:
                await pilot.press(key)
            readings, taken = len(app.snapshot.trace), len(app.snapshot.run["points"])
            found[view + "_beginning"] = await share({beginning})
            found[view] = await share({seconds})
            found[view + "_rate"] = (len(app.snapshot.trace) - readings) / ({beginning} + {seconds})
            found[view + "_taken"] = len(app.snapshot.run["points"]) - taken
        await pilot.press("2")
        asked = time.perf_counter()
        await pilot.press("t")
        while not app.screen._whole_run:
            await asyncio.sleep(0.01)
        await pilot.pause()
        found["whole_run_s"] = time.perf_counter() - asked
        print(json.dumps(found))

asyncio.run(main())
"""

VIEWS = {"pull": "run, pull", "M": "run, M", "steadiness": "steadiness", "figures": "figures"}


@contextmanager
def weighing(store: Path) -> Iterator[Path]:
    """A daemon on the bench twin with a run that a person keeps going; gives the daemon's socket."""
    from weighloop.daemon.server.client import ClientError
    from weighloop.daemon.simulation.rehearsal import Rehearsal
    from weighloop.daemon.simulation.twin_process import TwinError

    with Rehearsal(store) as rehearsal:
        client = rehearsal.client()
        client.call("control.take", name="benchmark", force=True)
        number = client.call(
            "run.start", bench_text=rehearsal.bench_text, points=40, target_u_kg=None, name=None
        )
        assert number == 1  # the run that the readings in the store are of

        def person() -> None:
            with suppress(ClientError, TwinError, OSError):  # until the daemon or the twin ends
                rehearsal.operate(client)

        hands = threading.Thread(target=person, daemon=True)
        hands.start()
        yield rehearsal.socket
    hands.join(10)


def attached(readings: int, seconds: float) -> dict[str, float]:
    """First paint, shares of a core and the whole run's trace on a real store of N readings."""
    with tempfile.TemporaryDirectory(prefix="weighloop-screen-") as folder:
        store = Path(folder) / "store.sqlite"
        if readings:
            fill(store, readings)
        with weighing(store) as socket:
            with byte_code() as environment:
                told("import weighloop.tui.screens.steadiness, scipy.signal, scipy.ndimage", environment)
                facts = {
                    "socket": str(socket),
                    "beginning": BEGINNING_S,
                }
                found = paints(ATTACHED.format(**facts, seconds=0.0), environment, 9)
                if seconds:
                    shares = json.loads(told(ATTACHED.format(**facts, seconds=seconds), environment))
                    found = {**shares, **found}
            terminal = in_a_terminal(socket)
    return {
        **found,
        "terminal_s": statistics.median(terminal),
        "worst_terminal_s": max(terminal),
    }


async def share(view: str, seconds: float, rate: float, gaps: int) -> dict[str, float]:
    """Processor time by wall time while ``rate`` readings a second come, ``gaps`` a passage.

    In the middle of the run, where the figures take longest; ``first_work_s`` is the processor time of the
    first seconds.
    """
    import tests.support.screen.scripted_daemon as S
    from weighloop.tui.app import WeighloopApp

    def run_at(done: int) -> Any:
        steps = S.plan(gaps)
        points = S.points_of(steps, done)
        return {**S.run_at(0), "steps": steps, "steps_done": done, "points": points}

    middle = len(S.plan(gaps)) * 2 // 3
    feed = S.ScriptedFeed(S.snapshot(run_at(middle), S.live_at(100.0)))
    app = WeighloopApp(feed, cautions=False)
    async with app.run_test(size=(120, 40)) as pilot:
        await pilot.pause(1.0)
        first = work = processor_s()
        wall = began = time.perf_counter()
        await app.action_view(view)
        warm = False
        count = 0
        while time.perf_counter() - wall < BEGINNING_S + seconds:
            if not warm and time.perf_counter() - wall > BEGINNING_S:
                began, work, warm = time.perf_counter(), processor_s(), True
            feed.say("live", S.live_at(101.0 + count / rate, -12.3456e-3 + 1e-6 * (count % 17)))
            count += 1
            if count % round(15 * rate) == 0:  # a reading is taken four times a minute
                feed.say("run", run_at(middle + count // round(15 * rate)))
            await asyncio.sleep(max(0.0, wall + count / rate - time.perf_counter()))
        return {"share": (processor_s() - work) / (time.perf_counter() - began), "first_work_s": work - first}


#: Shares on a script: name, view, readings a second, gaps a passage, least seconds.
SCRIPTED = (
    ("run view, a reading every ten seconds", "run", 0.1, 12, 0.0),
    ("run view, ten readings a second", "run", 10.0, 12, 0.0),
    ("steadiness view, ten readings a second", "steadiness", 10.0, 12, 0.0),
    ("figures view, ten readings a second", "figures", 10.0, 12, 180.0),
    ("figures view, ten readings a second, 40 gaps a passage", "figures", 10.0, 40, 360.0),
)


def in_words(found: dict[str, float]) -> str:
    """A share of a core, or first paints and shares by view."""
    if "share" in found:
        words = f"{100 * found['share']:.1f} % of a core (bar 5 %)"
        return words + f", {found['first_work_s']:.1f} s of processor in its first {BEGINNING_S:.0f} s"
    words = f"first paint {found['first_paint_s']:.2f} s (worst {found['worst_paint_s']:.2f}, bar 1 s)"
    words += f", {found['paint_work_s']:.2f} s of processor each,"
    words += f" {found['other_cores']:.1f} of {os.cpu_count()} cores at other work"
    if "terminal_s" in found:
        words += f";\n  `weighloop tui` in a terminal {found['terminal_s']:.2f} s"
        words += f" (worst {found['worst_terminal_s']:.2f})"
    for view, name in VIEWS.items():
        if view in found:
            shares = [100 * found[key] for key in (view, f"{view}_beginning")]
            words += f"\n  {name}: {shares[0]:.1f} % of a core (bar 5 %),"
            words += f" {shares[1]:.1f} % over its first {BEGINNING_S:.0f} s;"
            words += f" {found[f'{view}_rate']:.1f} readings a second, {found[f'{view}_taken']:.0f} taken"
    if "whole_run_s" in found:
        words += f"\n  whole run drawn in {found['whole_run_s']:.2f} s"
    return words


def main() -> None:
    """Print the figures."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--seconds", type=float, default=30.0)
    parser.add_argument("--stored", type=int, default=1_000_000, help="readings in the full store")
    parser.add_argument("--only-first-paint", action="store_true", help="without the shares of a core")
    parser.add_argument("--json", action="store_true")
    asked = parser.parse_args()
    parts: dict[str, Callable[[], Any]] = {"script": first_paints}
    if not asked.only_first_paint:
        for name, view, rate, gaps, least in SCRIPTED:
            measured = (view, max(asked.seconds, least), rate, gaps)
            parts[name] = lambda measured=measured: asyncio.run(share(*measured))
    seconds = 0.0 if asked.only_first_paint else asked.seconds
    for readings in (0, asked.stored):
        parts[f"attached, {readings} readings stored"] = lambda readings=readings: attached(readings, seconds)
    found = {}
    for name, measure in parts.items():  # each is told as soon as it is known: the whole takes minutes
        found[name] = measure()
        print(f"{name}: {in_words(found[name])}", file=sys.stderr if asked.json else sys.stdout, flush=True)
    if asked.json:
        print(json.dumps(found))


if __name__ == "__main__":
    main()
