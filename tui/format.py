"""Numbers and states in words for a person: SI in, the trade's units out. No pint, no heavy import."""

from __future__ import annotations

import math
from datetime import datetime, timedelta
from typing import Final

from ..analysis.units import decimals
from ..daemon.protocol import ActionCode, Device, Live, Point, Run, Step
from .state.snapshot import STALE_AFTER_S

#: Beyond this, how long a reading takes cannot be determined, s: whatever disturbs it has to go first.
LONG_S: Final = 600.0

MINUS: Final = "−"
NONE: Final = "–"


def _signed(text: str) -> str:
    return text.replace("-", MINUS)


def grams(kilograms: float | None, decimals: int = 3, sign: bool = True) -> str:
    """``0.0123456`` kg -> ``+12.346``; the unit is the caller's to print."""
    if kilograms is None or not math.isfinite(kilograms):
        return NONE
    value = round(kilograms * 1e3, decimals) + 0.0  # + 0.0: no minus in front of a zero
    return _signed(f"{value:{'+' if sign else ''}.{decimals}f}")


def milligrams(kilograms: float | None) -> str:
    """A small mass with two figures: ``0.42 mg``, ``12 mg``; from a gram on in grams."""
    if kilograms is None or not math.isfinite(kilograms):
        return NONE
    if abs(kilograms) >= 1e-3:
        return _signed(f"{two_figures(kilograms * 1e3)} g")
    return _signed(f"{two_figures(kilograms * 1e6)} mg")


def level(kilograms: float | None, u_kg: float | None, most: int) -> str:
    """A mass in g with its uncertainty: ``−38.6713 g ± 1.6 mg``, with no more than ``most`` decimals.

    Both end at the second significant figure of the uncertainty (JCGM 100, 7.2.6).
    """
    known = u_kg is not None and math.isfinite(u_kg) and u_kg > 0
    places = min(most, decimals(u_kg * 1e3)) if known and u_kg is not None else most
    return f"{grams(kilograms, places)} g ± {milligrams(u_kg)}"


def more(seconds: float | None) -> str:
    """How much longer a reading takes: ``about 6 s more``; what takes very long is not predicted."""
    if seconds is None or not math.isfinite(seconds):
        return ""
    if seconds > LONG_S:
        return f"not within {duration(LONG_S)}"
    return f"about {duration(seconds)} more"


def two_figures(value: float) -> str:
    """A number with two significant figures, never in powers of ten for everyday sizes."""
    if value == 0 or not math.isfinite(value):
        return "0" if value == 0 else NONE
    return f"{value:.{min(decimals(abs(value)), 9)}f}"


def kiloamps(field: float | None) -> str:
    """A field or a magnetisation, A/m -> ``+182 kA/m``."""
    if field is None or not math.isfinite(field):
        return NONE
    value = field * 1e-3
    decimals = 0 if abs(value) >= 100 else 1
    return _signed(f"{value:+.{decimals}f} kA/m")


def millimetres(length: float | None) -> str:
    """A gap, m -> ``12.00 mm``."""
    return NONE if length is None else f"{length * 1e3:.2f} mm"


def duration(seconds: float | None) -> str:
    """``6 s``, ``4 min``, ``1 h 20 min``: as exact as a person plans with."""
    if seconds is None or not math.isfinite(seconds):
        return NONE
    whole = max(0, round(seconds))
    if whole < 90:
        return f"{whole} s"
    minutes = round(whole / 60)
    if minutes < 60:
        return f"{minutes} min"
    return f"{minutes // 60} h {minutes % 60:02d} min"


def with_uncertainty(value: float | None, u: float | None) -> str:
    """``312.4 ± 1.2``: both to the second significant figure of the uncertainty (JCGM 100, 7.2.6)."""
    if value is None or not math.isfinite(value):
        return NONE
    if u is None or not math.isfinite(u) or u <= 0:
        return _signed(f"{value:.4g}")
    places = min(9, decimals(u))
    return _signed(f"{value:.{places}f}") + f" ± {u:.{places}f}"


def interval(low: float | None, high: float | None, u: float | None) -> str:
    """A 95 % interval with the decimals of its uncertainty; an open end says so."""
    if low is None and high is None:
        return NONE
    places = min(9, decimals(u)) if u and math.isfinite(u) and u > 0 else 3

    def one(end: float | None) -> str:
        return "open" if end is None else _signed(f"{end:.{places}f}")

    return f"{one(low)} to {one(high)}"


#: The filter's reasons in one word each, with a sign that can be told apart without colour.
STATES: Final[dict[str, tuple[str, str]]] = {
    "accepted": ("■", "settled"),
    "still settling": ("◌", "settling"),
    "drifting": ("↗", "drifting"),
    "disturbed": ("≈", "disturbed"),
    "too noisy for the target": ("≋", "too noisy"),
    "no readings": ("×", "no readings"),
}

#: Balance marks that mean that there is no number to show.
NO_NUMBER: Final = {"overload": "too heavy for the balance", "underload": "below the balance's range"}


def live_state(live: Live | None, silent_for: float) -> tuple[str, str]:
    """Sign and words for the live reading; ``silent_for`` is its age in s on this side."""
    if live is None:
        return "×", "no reading yet"
    if silent_for > STALE_AFTER_S:
        return "×", f"nothing heard for {duration(silent_for)}"
    if live["reading_kg"] is None and live["mark"] in NO_NUMBER:
        return "×", NO_NUMBER[live["mark"] or ""]
    if live["accepted"]:
        return STATES["accepted"]
    return STATES.get(live["reason"], ("◌", live["reason"] or "settling"))


#: Device states: a sign for each, so that colour is never needed.
DEVICE_SIGNS: Final = {
    "ready": "●",
    "opening": "◌",
    "identifying": "◌",
    "absent": "○",
    "silent": "◍",
    "lost": "×",
    "fault": "!",
}


def device_line(name: str, device: Device | None) -> str:
    """``● balance`` when all is well, else with its state: ``× balance lost``."""
    if device is None:
        return f"○ no {name}"
    sign = DEVICE_SIGNS.get(device["state"], "?")
    return f"{sign} {name}" if device["state"] == "ready" else f"{sign} {name} {device['state']}"


def telemetry_words(device: Device | None) -> list[str]:
    """What the lift also measures, each in a few words; nothing for a probe that is not there."""
    sent = (device or {}).get("telemetry", {})
    shown = {
        "temperature_K": lambda kelvin: f"{kelvin - 273.15:.1f} °C at the magnet",
        "hall_V": lambda volt: f"field probe {volt:.3f} V",
        "vibration_V": lambda volt: f"vibration {two_figures(volt * 1e3)} mV rms",
    }
    return [
        _signed(words(sent[key])) for key, words in shown.items() if math.isfinite(sent.get(key, math.nan))
    ]


#: The daemon's action codes that ask something of a person.
ASKS_A_PERSON: Final[frozenset[ActionCode]] = frozenset(
    {
        *("remove-sample", "place-sample", "set-spacers", "turn-over", "set-current", "move-seat"),
        "question",
    }
)

#: The five passages of a run, as the operator sees them.
LEGS: Final = ("in", "out", "turned in", "out", "back in")


def leg_words(leg: int) -> str:
    """Which passage ``leg`` is: ``3 of 5 (turned in)``."""
    return f"{leg + 1} of {len(LEGS)}" + (f" ({LEGS[leg]})" if 0 <= leg < len(LEGS) else "")


def passage_words(run: Run, step: Step) -> str:
    """Which passage a step is of, of any programme: ``3 of 15 (turned)``, the sample turned over."""
    if "programme" not in run:
        return leg_words(step["leg"])
    points = [s for s in run["steps"] if s["kind"] == "point"]
    last, far = max(s["leg"] for s in points), max(s["height_m"] or 0.0 for s in points)
    # What is read at the far end when all is done is no passage.
    count = last + any(s["height_m"] != far for s in points if s["leg"] == last)
    if step["leg"] >= count:
        return "after the last: the zero"
    return f"{step['leg'] + 1} of {count}" + (" (turned)" if step["orientation"] < 0 else "")


def orientation_words(orientation: int | None) -> str:
    """Which way the field points along the sample's own axis, with the sign the plot uses."""
    if orientation is None:
        return NONE
    return "● field along the sample" if orientation > 0 else "○ field against the sample"


def point_line(point: Point, step: Step | None) -> str:
    """One accepted reading in a line, for lists."""
    where = f"{point['spacers']} spacers" if point["spacers"] is not None else millimetres(point["gap_m"])
    amps = point.get("current_A")
    field = kiloamps(step["H_applied_A_per_m"]) if step else NONE
    field = field if amps is None else f"{amps * 1e3:+.2f} mA"
    what = "zero" if point["kind"] == "zero" else f"{where:>10}  {field:>11}"
    aside = f"  × {point['set_aside']}" if point["set_aside"] else ""
    value = level(point["value_kg"], point["u_kg"], 4)
    return f"{point['step']:>3}  {what:<23}  {value:>22}{aside}"


def clock_time(utc: str | None) -> str:
    """The hour and minute of an ISO time, as it stands (UTC)."""
    return utc[11:19] if utc and len(utc) >= 19 else NONE


def date_time(utc: str | None) -> str:
    """Date and minute of an ISO time, as it stands (UTC)."""
    return utc[:16].replace("T", " ") if utc else NONE


def next_moment(text: str) -> str:
    """The next moment of a clock time such as 07:30, as ISO 8601. Raises ValueError in words."""
    try:
        clock = datetime.strptime(text, "%H:%M")
    except ValueError:
        raise ValueError(f"{text!r} is no clock time; expected such as 07:30") from None
    now = datetime.now().astimezone()
    moment = now.replace(hour=clock.hour, minute=clock.minute, second=0, microsecond=0)
    return (moment if moment > now else moment + timedelta(days=1)).isoformat()
