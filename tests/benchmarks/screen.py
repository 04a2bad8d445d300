"""The screen: time to the first paint, and its share of one core at ten readings a second.

First on a script instead of a daemon, then attached to a daemon on the bench twin, on which a person keeps
a run going and readings are taken, with a store that is empty or holds a million readings of that run; there
the whole command in a terminal too, from its start to the words of the run. Each first paint in a fresh
interpreter, with the byte code that an installed program has.
Bars: first paint under 1 s; under 5 % of a core at 10 readings/s; a million readings change neither.

    python -m tests.benchmarks.screen [--seconds S] [--stored N] [--only-first-paint] [--json]
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

sys.path.insert(0, str(Path(__file__).parent))
sys.path.insert(0, str(Path(__file__).parent.parent / "tui"))

from store_overview import fill

FIRST_PAINT = """
import time; began = time.perf_counter()
import asyncio, sys
sys.path.insert(0, {helpers!r})
from weighloop.tui.app import WeighloopApp
import scripted as S

async def main():
    feed = S.ScriptedFeed(S.snapshot(S.run_at(40), S.live_at(100.0)))
    app = WeighloopApp(feed, cautions=False)
    async with app.run_test(size=(120, 40)) as pilot:
        while not app.picture.linked:
            await asyncio.sleep(0)
        await pilot.pause()
        print(time.perf_counter() - began)

asyncio.run(main())
"""


@contextmanager
def byte_code() -> Iterator[dict[str, str]]:
    """An environment whose interpreters keep their byte code, in a folder of their own."""
    with tempfile.TemporaryDirectory(prefix="weighloop-bytecode-") as folder:
        without = {k: v for k, v in os.environ.items() if k != "PYTHONDONTWRITEBYTECODE"}
        yield {**without, "PYTHONPYCACHEPREFIX": folder}


def told(code: str, environment: dict[str, str]) -> str:
    """What a piece of code prints in a fresh interpreter."""
    command = [sys.executable, "-c", code]
    return subprocess.run(command, capture_output=True, text=True, check=True, env=environment).stdout


def first_paint(times: int = 9) -> list[float]:
    """Seconds from the interpreter's start of our imports to a painted run view, ``times`` over."""
    code = FIRST_PAINT.format(helpers=str(Path(__file__).parent.parent / "tui"))
    with byte_code() as environment:  # written by the first of them
        return [float(told(code, environment)) for _ in range(times + 1)][1:]


def in_a_terminal(socket: Path, times: int = 9) -> list[float]:
    """Seconds from the start of ``weighloop tui`` to the run's words in a terminal, ``times`` over."""
    words = [sys.executable, "-m", "weighloop.tui.command_line", "tui", "--socket", str(socket)]
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


#: Until then a view that is new loads what it needs, s: the steadiness view for its first verdict.
BEGINNING_S = 35.0

ATTACHED = """
import time; began = time.perf_counter()
import asyncio, json, sys
from weighloop.tui.app import WeighloopApp
from weighloop.tui.socket_feed import SocketFeed

async def share(seconds):
    wall, work = time.perf_counter(), time.process_time()
    await asyncio.sleep(seconds)
    return (time.process_time() - work) / (time.perf_counter() - wall)

async def main():
    app = WeighloopApp(SocketFeed({socket!r}), cautions=False)
    async with app.run_test(size=(120, 40)) as pilot:
        while not app.picture.linked:
            await asyncio.sleep(0)
        await pilot.pause()
        found = dict(first_paint_s=time.perf_counter() - began)
        if not {seconds}:
            print(json.dumps(found))
            return
        for view, key in (("pull", ""), ("M", "m"), ("steadiness", "2")):
            if key:
                await pilot.press(key)
            readings, taken = len(app.picture.trace), len(app.picture.run["points"])
            found[view + "_beginning"] = await share({beginning})
            found[view] = await share({seconds})
            found[view + "_rate"] = (len(app.picture.trace) - readings) / ({beginning} + {seconds})
            found[view + "_taken"] = len(app.picture.run["points"]) - taken
        asked = time.perf_counter()
        await pilot.press("t")
        while not app.screen._whole_run:
            await asyncio.sleep(0.01)
        await pilot.pause()
        found["whole_run_s"] = time.perf_counter() - asked
        print(json.dumps(found))

asyncio.run(main())
"""

VIEWS = {"pull": "run, pull", "M": "run, M", "steadiness": "steadiness"}


@contextmanager
def weighing(store: Path) -> Iterator[Path]:
    """A daemon on the bench twin with a run that a person keeps going; gives the daemon's socket."""
    from weighloop.daemon.client import ClientError
    from weighloop.daemon.rehearsal import Rehearsal

    with Rehearsal(store) as rehearsal:
        client = rehearsal.client()
        client.call("control.take", name="benchmark", force=True)
        number = client.call(
            "run.start", bench_text=rehearsal.bench_text, points=40, target_u_kg=None, name=None
        )
        assert number == 1  # the run that the readings in the store are of

        def person() -> None:
            with suppress(ClientError, OSError):  # until the daemon ends
                rehearsal.operate(client)

        hands = threading.Thread(target=person, daemon=True)
        hands.start()
        yield rehearsal.socket
    hands.join(10)


def attached(readings: int, seconds: float, paints: int = 9) -> dict[str, float]:
    """First paint, shares of a core and the whole run's trace on a real store of so many readings."""
    with tempfile.TemporaryDirectory(prefix="weighloop-screen-") as folder:
        store = Path(folder) / "store.sqlite"
        if readings:
            fill(store, readings)
        with weighing(store) as socket:
            with byte_code() as environment:
                told("import weighloop.tui.screens.steadiness, scipy.signal, scipy.ndimage", environment)
                code = ATTACHED.format(socket=str(socket), seconds=0.0, beginning=BEGINNING_S)
                runs = [json.loads(told(code, environment)) for _ in range(paints + 1)]
                painted = [one["first_paint_s"] for one in runs[1:]]
                found: dict[str, float] = {}
                if seconds:
                    code = ATTACHED.format(socket=str(socket), seconds=seconds, beginning=BEGINNING_S)
                    found = json.loads(told(code, environment))
            terminal = in_a_terminal(socket)
    return {
        **found,
        "first_paint_s": statistics.median(painted),
        "worst_paint_s": max(painted),
        "terminal_s": statistics.median(terminal),
        "worst_terminal_s": max(terminal),
    }


async def share(view: str, seconds: float, rate: float) -> float:
    """Processor time by wall time of the whole process while ``rate`` readings a second come."""
    import scripted as S

    from weighloop.tui.app import WeighloopApp

    feed = S.ScriptedFeed(S.snapshot(S.run_at(40), S.live_at(100.0)))
    app = WeighloopApp(feed, cautions=False)
    async with app.run_test(size=(120, 40)) as pilot:
        await pilot.pause(1.0)
        await app.action_view(view)
        await pilot.pause(3.0)
        wall = began = time.perf_counter()
        work, warm = time.process_time(), False
        count = 0
        while time.perf_counter() - wall < BEGINNING_S + seconds:
            if not warm and time.perf_counter() - wall > BEGINNING_S:
                began, work, warm = time.perf_counter(), time.process_time(), True
            feed.say("live", S.live_at(101.0 + count / rate, -12.3456e-3 + 1e-6 * (count % 17)))
            count += 1
            if count % round(15 * rate) == 0:  # a reading is taken four times a minute
                feed.say("run", S.run_at(40 + count // round(15 * rate)))
            await asyncio.sleep(max(0.0, wall + count / rate - time.perf_counter()))
        return (time.process_time() - work) / (time.perf_counter() - began)


#: Shares on a script: name, view, readings a second.
SCRIPTED = (
    ("run view, a reading every ten seconds", "run", 0.1),
    ("run view, ten readings a second", "run", 10.0),
    ("steadiness view, ten readings a second", "steadiness", 10.0),
)


def first_paints() -> dict[str, float]:
    """First paint on a script, in the median and at worst."""
    paints = first_paint()
    return {"first_paint_s": statistics.median(paints), "worst_paint_s": max(paints)}


def in_words(found: float | dict[str, float]) -> str:
    """A share of a core, or first paints and shares by view."""
    if isinstance(found, float):
        return f"{100 * found:.1f} % of a core (bar 5 %)"
    words = f"first paint {found['first_paint_s']:.2f} s (worst {found['worst_paint_s']:.2f}, bar 1 s)"
    if "terminal_s" in found:
        words += f", `weighloop tui` in a terminal {found['terminal_s']:.2f} s"
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
        for name, view, rate in SCRIPTED:
            parts[name] = lambda view=view, rate=rate: asyncio.run(share(view, asked.seconds, rate))
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
