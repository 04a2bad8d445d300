"""The screen: time to the first paint, and its share of one core at ten readings a second.

First on a script instead of a daemon, then attached to a daemon on the bench twin, whose store is empty or
holds a million readings of the run that goes on. Each first paint in a fresh interpreter. Bars: first paint
under 1 s; under 5 % of a core at 10 readings/s; a million readings change neither.

    python tests/benchmarks/screen.py [--seconds S] [--stored N] [--json]
"""

from __future__ import annotations

import argparse
import asyncio
import json
import statistics
import subprocess
import sys
import tempfile
import time
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


def first_paint(times: int = 5) -> list[float]:
    """Seconds from the interpreter's start of our imports to a painted run view, ``times`` over."""
    code = FIRST_PAINT.format(helpers=str(Path(__file__).parent.parent / "tui"))
    command = [sys.executable, "-c", code]
    return [
        float(subprocess.run(command, capture_output=True, text=True, check=True).stdout)
        for _ in range(times)
    ]


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
            found = []
            for _ in range(times):
                done = subprocess.run(
                    [sys.executable, "-c", code], capture_output=True, text=True, check=True
                )
                found.append(json.loads(done.stdout))
    return {key: statistics.median(one[key] for one in found) for key in found[0]}


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


def main() -> None:
    """Print the figures."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--seconds", type=float, default=30.0)
    parser.add_argument("--stored", type=int, default=1_000_000, help="readings in the full store")
    parser.add_argument("--json", action="store_true")
    asked = parser.parse_args()
    paints = sorted(first_paint())
    found = {
        "first_paint_s": paints[len(paints) // 2],
        "idle": asyncio.run(share("run", asked.seconds, 0.1)),
        "run_view": asyncio.run(share("run", asked.seconds, 10.0)),
        "steadiness_view": asyncio.run(share("steadiness", asked.seconds, 10.0)),
        "attached_empty": attached(0, asked.seconds),
        "attached_full": attached(asked.stored, asked.seconds),
    }
    if asked.json:
        print(json.dumps(found))
        return
    print(f"first paint, median of {len(paints)}: {found['first_paint_s']:.2f} s (bar 1 s)")
    for name in ("idle", "run_view", "steadiness_view"):
        print(f"share of one core, {name.replace('_', ' ')}: {100 * found[name]:.1f} % (bar 5 %)")
    print("\nattached to a daemon on the twin, ten readings a second, a run going on:")
    for name, readings in (("attached_empty", 0), ("attached_full", asked.stored)):
        one = found[name]
        print(
            f"{readings:>9} readings stored: first paint {one['first_paint_s']:.2f} s, share of one core"
            f" {100 * one['share']:.1f} %, whole run drawn in {one['whole_run_s']:.2f} s"
        )


if __name__ == "__main__":
    main()
