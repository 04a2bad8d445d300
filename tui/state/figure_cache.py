"""The main figures of runs, kept once they are computed: they follow from the store and cost seconds.

Nothing rests on them: a file that cannot be read or written only means that they are computed again.
"""

from __future__ import annotations

import json
import os
from importlib.metadata import version
from pathlib import Path
from typing import Any

from ...daemon.protocol import RunLine

#: How many of the newest are kept.
KEPT = 5000


def cache_file() -> Path:
    """Where they are kept."""
    import platformdirs

    return Path(platformdirs.user_cache_dir("weighloop")) / "figures.json"


class FigureCache:
    """Cells by figure, by what they were computed from: store, run, its last event, program."""

    def __init__(self) -> None:
        self._cells: dict[str, dict[str, str]] | None = None

    @staticmethod
    def _key(store: str, line: RunLine) -> str:
        return f"{store} {line['id']} {line.get('upto', 0)} {version('weighloop')}"

    def _all(self) -> dict[str, dict[str, str]]:
        if self._cells is None:
            try:
                found: Any = json.loads(cache_file().read_text(encoding="utf-8"))
            except (OSError, ValueError):
                found = {}
            whole = isinstance(found, dict) and all(isinstance(one, dict) for one in found.values())
            self._cells = dict(found) if whole else {}
        return self._cells

    def get(self, store: str, line: RunLine) -> dict[str, str] | None:
        """What is kept of a run as it stands in that store; None where there is nothing."""
        return self._all().get(self._key(store, line)) if store and line.get("upto") else None

    def put(self, store: str, line: RunLine, cells: dict[str, str]) -> None:
        """Keep them; at once on disk, whole or not at all."""
        if not store or not line.get("upto"):
            return
        cells_of = self._all()
        cells_of[self._key(store, line)] = cells
        for key in list(cells_of)[: max(0, len(cells_of) - KEPT)]:
            del cells_of[key]
        path = cache_file()
        try:
            path.parent.mkdir(parents=True, exist_ok=True)
            part = path.with_suffix(f".part-{os.getpid()}")
            part.write_text(json.dumps(cells_of, ensure_ascii=False), encoding="utf-8")
            os.replace(part, path)
        except OSError:
            pass
