"""Whether the store's file is still the one that was opened: SQLite writes on into one without a name."""

from __future__ import annotations

import os
from pathlib import Path


class FileWatch:
    """Remembers which file the path named. Raises OSError where it names none."""

    def __init__(self, path: Path) -> None:
        self._path = path
        self._opened = path.stat()

    def taken_away(self) -> str | None:
        """What became of the file, in words; None while it is in its place."""
        try:
            now = self._path.stat()
        except FileNotFoundError:
            return f"the store's file {self._path} was deleted or renamed while it was in use"
        except OSError:
            return None  # a disk that does not answer is reported by the writer
        if os.path.samestat(now, self._opened):
            return None
        return f"another file stands in the place of the store {self._path} that is in use"
