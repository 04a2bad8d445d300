"""What the last digit hides: identical digits are not zero uncertainty."""

from __future__ import annotations

import numpy as np

from ..records.arrays import Floats

_K = np.arange(1, 4)
# three terms of a series whose whole sum is pi^2/6; the factor makes the quiet limit 1/12
_TERMS = (np.pi**2 / 6) / np.sum(1.0 / _K**2) / (2 * np.pi**2 * _K**2)


def hidden_by_the_digit(readings: Floats) -> float:
    """Standard uncertainty, in resolutions, left by rounding in the mean of ``readings`` (resolutions).

    The rounding error of a mean has variance sum_k exp(-4 pi^2 k^2 s^2) / (2 pi^2 k^2) for noise of
    standard deviation s before rounding (Widrow and Kollar, Quantization Noise, 2008, ch. 6): 1/12
    with no noise, next to nothing once s exceeds 0.5. s is taken low (a quarter of a resolution
    squared off the variance seen) so that the hidden part is never understated.
    """
    off = readings - readings.sum() / len(readings)
    s2 = max(0.0, float(off @ off) / len(off) - 0.25)
    return float(np.sqrt(np.sum(_TERMS * np.exp(-4 * np.pi**2 * _K**2 * s2))))
