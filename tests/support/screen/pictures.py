"""Pictures of every screen, as SVG, and a page that shows them.

python -m tests.support.screen.pictures FOLDER [NAME ...]
"""

from __future__ import annotations

import asyncio
import os
import sys
import tempfile
from pathlib import Path

from tests.support.screen.screens import SCREENS, screen

SIZES = ((120, 40), (80, 24))


async def draw(folder: Path, names: list[str]) -> None:
    """Each screen at each size on the dark ground, and the first size on the light one."""
    folder.mkdir(parents=True, exist_ok=True)
    for name in names or SCREENS:
        for size in SIZES:
            async with screen(name, size) as st:
                place = folder / f"{name}-{size[0]}x{size[1]}.svg"
                place.write_text(st.app.export_screenshot(title=""), encoding="utf-8")
                if size == SIZES[0]:
                    st.app.action_lightness()
                    await st.pilot.pause(0.1)
                    light = folder / f"{name}-light.svg"
                    light.write_text(st.app.export_screenshot(title=""), encoding="utf-8")


def page(folder: Path) -> str:
    """A page (Markdown) beside the folder that shows every picture in it."""
    parts = [
        "# Screens",
        "Each as the code draws it: at 120 by 40 on dark and on light ground, and at 80 by 24.",
    ]
    for path in sorted(folder.glob("*.svg")):
        parts += [f"## {path.stem}", f"![{path.stem}]({folder.name}/{path.name})"]
    return "\n\n".join(parts) + "\n"


if __name__ == "__main__":
    with tempfile.TemporaryDirectory() as home:  # nothing of this user's own
        os.environ |= {f"XDG_{kind}_HOME": home for kind in ("STATE", "DATA", "CONFIG", "CACHE")}
        place = Path(sys.argv[1])
        asyncio.run(draw(place, sys.argv[2:]))
        place.with_suffix(".md").write_text(page(place), encoding="utf-8")
