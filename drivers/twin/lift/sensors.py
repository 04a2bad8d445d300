"""What the lift's converter makes of its three sensors, as the lift protocol page has it (section 8)."""

from __future__ import annotations

from math import exp


def telemetry_words(kelvin: float, tesla: float, vibration: float) -> str:
    """The words A B V n: thermistor at a temperature, Hall sensor in a field, vibration in counts rms."""
    ratio = exp(3950.0 * (1.0 / kelvin - 1.0 / 298.15))
    thermistor = round(65536 * ratio / (1.0 + ratio))
    hall = round(min(max(0.5 + 0.9 * tesla, 0.0), 1.0) * 65472)  # 4.5 V/T about half the supply
    return f"A{thermistor} B{hall} V{round(16 * vibration)} n67"
