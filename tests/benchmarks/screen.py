"""The screen: time to the first paint, and its share of one core at ten readings a second.

First on a script instead of a daemon, then attached to a daemon on the bench twin, whose store is empty or
holds a million readings of the run that goes on; last the whole command in a terminal, from its start to the
words of the run. Each first paint in a fresh interpreter, with the byte code that an installed program has.
Bars: first paint under 1 s; under 5 % of a core at 10 readings/s; a million readings change neither.

    python tests/benchmarks/screen.py [--seconds S] [--stored N] [--only-first-paint] [--json]
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
import time
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path

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


def fresh(code: str, times: int) -> list[str]:
    """What a piece of code prints in fresh interpreters; one before them writes the byte code."""
    with byte_code() as environment:
        command = [sys.executable, "-c", code]
        runs = [
            subprocess.run(command, capture_output=True, text=True, check=True, env=environment).stdout
            for _ in range(times + 1)
        ]
    return runs[1:]


def first_paint(times: int = 9) -> list[float]:
    """Seconds from the interpreter's start of our imports to a painted run view, ``times`` over."""
    code = FIRST_PAINT.format(helpers=str(Path(__file__).parent.parent / "tui"))
    return [float(said) for said in fresh(code, times)]


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


ATTACHED = """
import time; began = time.perf_counter()
import asyncio, json, sys
from weighloop.tui.app import WeighloopApp
from weighloop.tui.socket_feed import SocketFeed

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
        await pilot.pause(3.0)
        wall, work = time.perf_counter(), time.process_time()
        await asyncio.sleep({seconds})
        found["share"] = (time.process_time() - work) / (time.perf_counter() - wall)
        await pilot.press("2")
        await pilot.pause(1.0)
        asked = time.perf_counter()
        await pilot.press("t")
        while not app.screen._whole_run:
            await asyncio.sleep(0.01)
        await pilot.pause()
        found["whole_run_s"] = time.perf_counter() - asked
        print(json.dumps(found))

asyncio.run(main())
"""


def attached(readings: int, seconds: float, times: int = 3) -> dict[str, float]:
    """First paint, share of a core and the whole run's trace on a real store of so many readings."""
    from weighloop.daemon.rehearsal import Rehearsal

    with tempfile.TemporaryDirectory(prefix="weighloop-screen-") as folder:
        store = Path(folder) / "store.sqlite"
        if readings:
            fill(store, readings)
        with Rehearsal(store) as rehearsal, rehearsal.client() as client:
            client.call("control.take", name="benchmark", force=True)
            text = rehearsal.bench_text
            number = client.call("run.start", bench_text=text, points=22, target_u_kg=None, name=None)
            assert number == 1  # the run that the readings in the store are of
            code = ATTACHED.format(socket=str(rehearsal.socket), seconds=seconds)
            found = [json.loads(said) for said in fresh(code, times)]
            terminal = in_a_terminal(rehearsal.socket)
    middle = {key: statistics.median(one[key] for one in found) for key in found[0]}
    worst = max(one["first_paint_s"] for one in found)
    return {
        **middle,
        "worst_paint_s": worst,
        "terminal_s": statistics.median(terminal),
        "worst_terminal_s": max(terminal),
    }


#: Until then libraries are still loaded for the first verdict, s.
WARMING_S = 35.0


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
        while time.perf_counter() - wall < WARMING_S + seconds:
            if not warm and time.perf_counter() - wall > WARMING_S:
                began, work, warm = time.perf_counter(), time.process_time(), True
            feed.say("live", S.live_at(101.0 + count / rate, -12.3456e-3 + 1e-6 * (count % 17)))
            count += 1
            if count % round(15 * rate) == 0:  # a reading is taken four times a minute
                feed.say("run", S.run_at(40 + count // round(15 * rate)))
            await asyncio.sleep(max(0.0, wall + count / rate - time.perf_counter()))
        return (time.process_time() - work) / (time.perf_counter() - began)


def paints_in_words(found: dict[str, float]) -> str:
    """First paint, and the whole command where it was run, each with its worst."""
    words = f"first paint {found['first_paint_s']:.2f} s (worst {found['worst_paint_s']:.2f})"
    if "terminal_s" in found:
        words += f", `weighloop tui` in a terminal {found['terminal_s']:.2f} s"
        words += f" (worst {found['worst_terminal_s']:.2f})"
    return words


def main() -> None:
    """Print the figures."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--seconds", type=float, default=30.0)
    parser.add_argument("--stored", type=int, default=1_000_000, help="readings in the full store")
    parser.add_argument("--only-first-paint", action="store_true", help="without the shares of a core")
    parser.add_argument("--json", action="store_true")
    asked = parser.parse_args()
    paints = first_paint()
    paint = {"first_paint_s": statistics.median(paints), "worst_paint_s": max(paints)}
    if asked.only_first_paint:
        found = {**paint, "attached": attached(0, 0.0, len(paints))}
        print(
            json.dumps(found)
            if asked.json
            else f"{paints_in_words(paint)}\n{paints_in_words(found['attached'])}"
        )
        return
    found = {
        **paint,
        "idle": asyncio.run(share("run", asked.seconds, 0.1)),
        "run_view": asyncio.run(share("run", asked.seconds, 10.0)),
        "steadiness_view": asyncio.run(share("steadiness", asked.seconds, 10.0)),
        "attached_empty": attached(0, asked.seconds),
        "attached_full": attached(asked.stored, asked.seconds),
    }
    if asked.json:
        print(json.dumps(found))
        return
    print(f"median and worst of {len(paints)}: {paints_in_words(paint)} (bar 1 s)")
    for name in ("idle", "run_view", "steadiness_view"):
        print(f"share of one core, {name.replace('_', ' ')}: {100 * found[name]:.1f} % (bar 5 %)")
    print("\nattached to a daemon on the twin, ten readings a second, a run going on:")
    for name, readings in (("attached_empty", 0), ("attached_full", asked.stored)):
        one = found[name]
        print(
            f"{readings:>9} readings stored: {paints_in_words(one)}, share of one core"
            f" {100 * one['share']:.1f} %, whole run drawn in {one['whole_run_s']:.2f} s"
        )


if __name__ == "__main__":
    main()
