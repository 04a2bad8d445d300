"""Every screen as plain text at two sizes.

In the loop after each edit each is drawn at one of them. Make them again with WEIGHLOOP_NEW_SNAPSHOTS=1, then
read the difference.
"""

from __future__ import annotations

import os
from pathlib import Path

import pytest

from tests.support.screen.screens import SCREENS, screen

STORED = Path(__file__).parent / "snapshots"
SIZES = ((80, 24), (120, 40))
#: Opened again at each size: cards take their size as they open, a lost link is soon tried again.
AGAIN = ("run-no-link", "run-set-aside", "run-question", "new-run", "help")
#: The others are looked at in one app, begun small or large in turns: the terminal's size changes.
TURNS = [
    turn
    for k, name in enumerate(SCREENS)
    for turn in (
        ((name, SIZES[:1]), (name, SIZES[1:])) if name in AGAIN else ((name, SIZES[:: 1 - 2 * (k % 2)]),)
    )
]


@pytest.mark.parametrize(("name", "sizes"), TURNS)
async def test_screen_looks_as_before(name: str, sizes: tuple[tuple[int, int], ...]) -> None:
    seen: dict[tuple[int, int], str] = {}
    if os.environ.get("WEIGHLOOP_QUICK"):
        sizes = sizes[:1]
    async with screen(name, sizes[0]) as st:
        for size in sizes:
            if seen:
                await st.pilot.resize_terminal(*size)
                await st.still()
            seen[size] = st.text()
    for size, text in seen.items():
        stored = STORED / f"{name}-{size[0]}x{size[1]}.txt"
        if os.environ.get("WEIGHLOOP_NEW_SNAPSHOTS"):
            stored.parent.mkdir(exist_ok=True)
            stored.write_text(text, encoding="utf-8")
        assert text == stored.read_text(encoding="utf-8"), size
