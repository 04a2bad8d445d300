"""Real disturbances that general-purpose packages ship with their own tests and examples.

``peakdet`` (PyPI, Apache): tests/data/RESP.csv, 10 min of slow breathing at 40 Hz (as its tests had it).
``systole`` (PyPI, MIT): datasets/Task1_Respiration.npy, 25 min of a respiration belt at 1000 Hz.
``obspy`` (PyPI, LGPL): signal/tests/data/CRLZ.HHZ.10.NZ.SAC, 5.5 min of ground velocity at 100 Hz.
Only the files are read, the packages are not imported; each comes back at 100 Hz, free of its mean
and scaled to rms 1. None where the package is not there.
"""

from __future__ import annotations

import importlib.util
from pathlib import Path

import numpy as np

from tests.support.models.streams import Floats, Rng


def _file(package: str, path: str, root: Path | None) -> Path | None:
    """The file in an installed package, or in ``root`` where packages lie unpacked."""
    if root is not None:
        found = root / package / path
    else:
        spec = importlib.util.find_spec(package)
        if spec is None or not spec.submodule_search_locations:
            return None
        found = Path(spec.submodule_search_locations[0]) / path
    return found if found.is_file() else None


def _unit(x: Floats) -> Floats:
    x = x - np.mean(x)
    return x / np.sqrt(np.mean(x**2))


def respiration(root: Path | None = None) -> Floats | None:
    """Slow breathing, ten breaths a minute, with rests between them."""
    path = _file("peakdet", "tests/data/RESP.csv", root)
    if path is None:
        return None
    x = np.loadtxt(path)
    return _unit(np.interp(np.arange(int(len(x) * 2.5)) / 2.5, np.arange(len(x)), x))


def belt(root: Path | None = None) -> Floats | None:
    """Breathing as a belt felt it; the belt's few glitches are cut off."""
    path = _file("systole", "datasets/Task1_Respiration.npy", root)
    if path is None:
        return None
    x = np.load(path)
    low, high = np.quantile(x, [0.002, 0.998])
    x = np.clip(x, low, high)
    return _unit(x[: len(x) // 10 * 10].reshape(-1, 10).mean(axis=1))


def ground(root: Path | None = None) -> Floats | None:
    """Ground acceleration, which is what a balance feels: the difference of the recorded velocity."""
    path = _file("obspy", "signal/tests/data/CRLZ.HHZ.10.NZ.SAC", root)
    if path is None:
        return None
    raw = path.read_bytes()
    # SAC: 70 floats (the first is the interval), 40 integers (the tenth is the count), 192 characters, data
    interval = float(np.frombuffer(raw, "<f4", 1)[0])
    count = int(np.frombuffer(raw, "<i4", 1, 280 + 36)[0])
    if abs(interval - 0.01) > 1e-6:
        return None
    return _unit(np.diff(np.frombuffer(raw, "<f4", count, 632).astype(float)))


def piece(record: Floats, rms: float):
    """A disturbance for a stream: a random stretch of the record, ``rms`` digits (turned over at random)."""

    def cut(rng: Rng, n: int) -> Floats:
        start = int(rng.integers(0, len(record) - n))
        return rms * record[start : start + n] * (1 if rng.uniform() < 0.5 else -1)

    return cut
