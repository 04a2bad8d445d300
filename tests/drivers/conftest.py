"""Fixtures of the driver tests: far ends on pseudo-terminals and listeners."""

from __future__ import annotations

import os
from collections.abc import Iterator
from pathlib import Path

import pytest

if os.name != "posix":  # pseudo-terminals
    collect_ignore_glob = ["test_serial_*.py", "test_captures.py"]


@pytest.fixture
def ears():
    from tests.support.serial_peers import Ears

    return Ears()


@pytest.fixture
def far_end(tmp_path: Path) -> Iterator:
    from tests.support.serial_peers import FarEnd

    end = FarEnd(tmp_path)
    yield end
    end.close()
