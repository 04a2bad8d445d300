"""Draws every picture of the hardware notes into this folder.

python hardware_notes/drawings/draw.py
"""

from __future__ import annotations

import sys
from collections.abc import Callable
from pathlib import Path

HERE = Path(__file__).resolve().parent
sys.path.insert(0, str(HERE))

import coil  # noqa: E402
import mechanics  # noqa: E402
import source  # noqa: E402
import turner  # noqa: E402
import wiring  # noqa: E402
from curves import gap_curves  # noqa: E402
from svg import Picture  # noqa: E402

PICTURES: dict[str, Callable[[], Picture]] = {
    "bench.svg": mechanics.bench,
    "riser.svg": mechanics.riser,
    "rest.svg": mechanics.rest,
    "lift.svg": mechanics.lift,
    "turner.svg": turner.turner,
    "turner_head.svg": turner.head,
    "turner_disc.svg": turner.disc,
    "coil.svg": coil.coil,
    "current_source.svg": source.source,
    "wiring.svg": wiring.wiring,
    "magnets.svg": gap_curves,
}

if __name__ == "__main__":
    for name, draw in PICTURES.items():
        (HERE / name).write_text(str(draw()), encoding="utf-8")
        print(HERE / name)
