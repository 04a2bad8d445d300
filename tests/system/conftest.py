"""Fixtures shared with the rooms whose programs are started here."""

from __future__ import annotations

from tests.drivers.conftest import ears, far_end

__all__ = ["ears", "far_end"]
