"""A listener that keeps everything it is given."""

from __future__ import annotations

import pytest


@pytest.fixture
def ears():
    from tests.support.serial.serial_peers import Ears

    return Ears()
