"""Draws what the settling filter accepted and refused, one picture a class.

``python -m tests.benchmarks._settling_examples FOLDER [--trials N] [--seed S]``: of the first N trials of
each class the first accepted and the first refused. Everything over the true level, in targets.
"""

from __future__ import annotations

import argparse
from pathlib import Path

import numpy as np

from tests.benchmarks.settling import ARMED, MG
from tests.support.models.streams import CLASSES, Stream, stream
from weighloop.analysis.settling import Settling, SettlingFilter

BEFORE, AFTER = 20.0, 15.0  # s drawn before the hand comes and after the acceptance


def follow(s: Stream) -> tuple[list[Settling], float | None]:
    """Every state of the filter until AFTER s past the acceptance, and when that was."""
    f = SettlingFilter(s.digit * MG, s.target * MG)
    states, accepted = [], None
    for t, y in zip(s.arrival, s.reading, strict=True):
        state = f.feed(t, y * MG)
        states.append(state)
        since = state.level_since
        if (
            accepted is None
            and state.accepted
            and t > s.hand + ARMED
            and since is not None
            and since > s.hand
        ):
            accepted = t
        if accepted is not None and t > accepted + AFTER:
            break
    return states, accepted


def draw(axes, s: Stream, states: list[Settling], accepted: float | None) -> None:
    arrival = s.arrival[: len(states)]
    level = np.array([s.level(t) for t in arrival])
    level[arrival < s.released] = s.drift * arrival[arrival < s.released]
    off = (s.reading[: len(states)] - level) / s.target
    t = arrival - s.released
    axes.plot(t, off, ".", color="0.6", ms=3, label="readings")
    known = [x for x in states if x.value is not None and x.u is not None and x.at > s.released]
    at = np.array([x.at for x in known])
    value = np.array([(x.value or 0.0) / MG - s.level(x.at) for x in known]) / s.target
    u = np.array([x.u or 0.0 for x in known]) / MG / s.target
    axes.fill_between(at - s.released, value - 1.96 * u, value + 1.96 * u, color="C0", alpha=0.3, lw=0)
    axes.plot(at - s.released, value, "C0", lw=1, label="level and 95 %")
    axes.axhline(0, color="k", lw=0.5)
    if accepted is not None:
        axes.axvline(accepted - s.released, color="C2", label="accepted")
    words = states[-1].text if accepted is None else f"accepted after {accepted - s.released:.1f} s"
    axes.set_title(f"{s.name}: {words}", fontsize=9)
    calm = np.abs(off[(t > 1.5) | (t < s.hand - s.released)])
    axes.set_ylim(*(np.array([-1, 1]) * max(4.0, 1.3 * float(np.quantile(calm, 0.99)))))
    axes.set_xlim(s.hand - s.released - BEFORE, t[-1])
    axes.legend(fontsize=7, loc="upper right")


def main() -> None:
    from matplotlib.figure import Figure

    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("folder", type=Path)
    parser.add_argument("--trials", type=int, default=8)
    parser.add_argument("--seed", type=int, default=1)
    options = parser.parse_args()
    options.folder.mkdir(parents=True, exist_ok=True)
    for name in CLASSES:
        found: dict[bool, tuple[Stream, list[Settling], float | None]] = {}
        for number in range(options.trials):
            s = stream(options.seed, name, number)
            states, accepted = follow(s)
            found.setdefault(accepted is not None, (s, states, accepted))
            if len(found) == 2:
                break
        figure = Figure(figsize=(10, 3.2 * len(found)), layout="constrained")
        panels = np.atleast_1d(figure.subplots(len(found)))
        for axes, key in zip(panels, sorted(found, reverse=True), strict=True):
            draw(axes, *found[key])
            axes.set_ylabel("off the true level / targets")
        panels[-1].set_xlabel("s after the release")
        figure.savefig(options.folder / f"{name.replace(', ', '_').replace(' ', '_')}.png", dpi=80)


if __name__ == "__main__":
    main()
