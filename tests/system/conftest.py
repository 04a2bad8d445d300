"""Far ends on pseudo-terminals and listeners, for what is started here."""

from __future__ import annotations

import os
from collections.abc import Iterator
from pathlib import Path

import pytest

from tests.drivers.conftest import ears

__all__ = ["ears", "far_end"]

if os.name != "posix":  # pseudo-terminals
    collect_ignore_glob = ["ports/*", "faults/*"]


@pytest.fixture
def far_end(tmp_path: Path) -> Iterator:
    from tests.support.serial.serial_peers import FarEnd

    end = FarEnd(tmp_path)
    yield end
    end.close()
