"""A whole run from a notebook: plan it, start it, watch it, look at its readings.

The cells (`# %%`) can be run one after the other in any editor that knows them, or all at once:

    python hardware_notes/run_from_a_notebook.py bench.toml --points 20

A daemon must be running (`weighloop daemon`, or `weighloop tui --twin` for a rehearsal). The same calls
work from any language: `daemon/PROTOCOL.md`.
"""

# %% What is to be weighed
import argparse
from pathlib import Path

from weighloop.daemon.server.client import Client

parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
parser.add_argument("bench", type=Path, help="the bench file, here of a re-sintered ferrite disc")
parser.add_argument("--points", type=int, default=20, help="gaps on each passage")
parser.add_argument("--socket", type=Path, help="where the daemon is, if not in its usual place")
options = parser.parse_args()
bench = options.bench.read_text(encoding="utf-8")

# %% Connect. Everybody may watch; who acts takes control, and nobody else can act meanwhile.
daemon = Client.connect(options.socket)
daemon.call("control.take", name="notebook", force=False)

# %% Before anything moves: how long will it take, how hard will it pull?
plan = daemon.call("run.plan", bench_text=bench, points=options.points)
print(f"{len(plan['steps'])} steps, about {plan['seconds'] / 60:.0f} minutes")
print(f"largest pull {plan['largest_pull_kg'] * 1e3:.2f} g")
for warning in plan["warnings"]:
    print("mind:", warning)

# %% Start. With queue=True it waits for a run under way; loops=3 makes three; not_before_utc="..." waits for
# the night.
number = daemon.call(
    "run.start", bench_text=bench, points=options.points, target_u_kg=None, name=None, queue=True
)

# %% Follow it: readings as they are committed, and what a person must do, said once each.
asked = None
for event in daemon.events(["point", "run"]):
    data = event["data"]
    if event["topic"] == "point":
        gap = "zero" if data["gap_m"] is None else f"{data['gap_m'] * 1e3:.2f} mm"
        print(f"{gap}: {data['value_kg'] * 1e3:.4f} g, u {data['u_kg'] * 1e6:.1f} mg", flush=True)
        continue
    if data is None or data["id"] != number:
        continue  # the run before ours
    if data["state"] in ("finished", "stopped"):
        break
    if data["state"] == "held":
        print("held:", data["why"], flush=True)
    action = data["action"]
    now = (data["steps_done"], action["code"], action["text"])
    if not action["needs_confirm"] or now == asked:
        continue
    asked = now
    answer = None
    if action["choices"]:
        print(action["text"], "/".join(action["choices"]), flush=True)
        answer = input().strip()
    else:
        print(action["text"], "Then press Enter.", flush=True)
        input()
    # With its code, a word that comes too late is never taken for the next action.
    daemon.call("run.confirm", choice=answer, code=action["code"])

# %% The run whole, as it stands in the store.
run = daemon.call("runs.get", run=number)
used = [point for point in run["points"] if point["set_aside"] is None]
print(f"run {number} of {run['sample']} is {run['state']}: {len(used)} readings")
daemon.close()

# %% Loop and figures: `weighloop figures NUMBER`, or the same in Python, see the README.
