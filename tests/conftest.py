"""What all tests share: which of them may run side by side."""

from __future__ import annotations

import os
from pathlib import Path

import pytest

# Two workers with two threads each on two cores are in each other's way; before numpy is first imported.
for _name in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS"):
    os.environ.setdefault(_name, "1")

HERE = Path(__file__).parent

#: Tests that open pseudo-terminals. The kernel gives a number that was let go to the next who asks, and a
#: driver whose port is gone tries the old name again: of two tests side by side, one takes the other's port.
ON_PSEUDO_TERMINALS = ("drivers", "faults", "firmware", "test_whole_job.py", "tui/test_terminal.py")


@pytest.hookimpl(tryfirst=True)  # before the distribution among workers reads the marks
def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    """Keep them in one worker, one after another."""
    places = [HERE / place for place in ON_PSEUDO_TERMINALS]
    for item in items:
        if any(place == item.path or place in item.path.parents for place in places):
            item.add_marker(pytest.mark.xdist_group("pseudo-terminals"))
