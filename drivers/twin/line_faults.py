"""The wire between a device and its port, and what can go wrong on it."""

from __future__ import annotations

import numpy as np


class Wire:
    """Passes a device's bytes on, or spoils them for a while. Times are the bench's, in s."""

    def __init__(self, seed: np.random.SeedSequence) -> None:
        self.rng = np.random.default_rng(seed)
        self.silent_until = self.garbage_until = self.halves_until = self.wrong_baud_until = 0.0

    def carry(self, now: float, data: bytes) -> bytes:
        """What arrives at the host of ``data`` sent now."""
        if now < self.silent_until:
            return b""
        if now < self.garbage_until:
            return self.rng.integers(0, 256, size=max(4, len(data)), dtype=np.uint8).tobytes()
        if now < self.wrong_baud_until:
            return at_another_speed(data)
        if now < self.halves_until and len(data) > 2:
            return data[: int(self.rng.integers(1, len(data)))]
        return data


def at_another_speed(data: bytes) -> bytes:
    """What is received when the two ends disagree about the line's speed.

    The receiver samples the same edges at other times: fewer bytes, other ones, many with the
    top bit set.
    """
    return bytes((byte * 0x35 ^ 0xE0) & 0xFF for byte in data[::2])
