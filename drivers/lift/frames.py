"""The lift's words: framing, numbers, replies (hardware_notes/lift_protocol.md). Pure, no port.

Millimetres are the protocol's unit and stay inside this file and ``lift``.
"""

from __future__ import annotations

import math
import re
import zlib
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Final

from ..serial.port import LineSettings

LINE_SETTINGS: Final = LineSettings(57600)
STOP: Final = b"\x89"  # halt at once; the position is void
HOLD: Final = b"\xfe"  # ramp down; the position is kept
HIGHEST: Final = 49.5  # mm, largest target of a controller that does not state its own
BELOW_HIGHEST: Final = 0.5  # mm; where homing leaves the stage
NO_ANGLE: Final = 4  # the result of a turn that the switch did not confirm
ANGLES: Final[Mapping[int, int]] = {1: 0, -1: 180}  # degrees of axis A, by orientation
FEED: Final = (1.2, 240.0)  # mm/min, slowest and fastest
FASTEST: Final = 120.0  # mm/min, largest feed of a controller that does not state its own
LARGEST_TAKE_UP: Final = 1.0  # mm
LONGEST: Final = 256  # bytes of a reply line before it is garbage

RESULTS: Final[Mapping[int, str]] = {
    0: "done",
    1: "held on the way",
    2: "halted",
    3: "the far-end switch was not found, or does not open",
    NO_ANGLE: "the turner's angle was not confirmed: a jam, lost steps or a stuck switch",
    5: "stopped by the lift because the host was silent",
}
HALTS: Final[Mapping[int, str]] = {
    1: "stopped by command",
    2: "the stop button is pressed",
    3: "the far-end switch was met outside homing",
    4: "the turner left its end while the gap was closing",
}

#: A word; of more digits than these nothing here is counted or measured.
_WORD = re.compile(r"([A-Za-z])(-?[0-9]{1,10}(?:\.[0-9]{1,9})?)")


def seal(body: str) -> bytes:
    """A line with its CRC-32 and newline."""
    text = body.encode("ascii")
    return text + b"*%08X\n" % zlib.crc32(text)


def unseal(line: bytes) -> str | None:
    """The body of a line (without newline) whose check holds, else None."""
    body, star, check = line.rpartition(b"*")
    if star != b"*" or not re.fullmatch(rb"[0-9A-F]{8}", check) or int(check, 16) != zlib.crc32(body):
        return None
    return body.decode("ascii") if body.isascii() else None


def decimal(value: float) -> str:
    """A plain decimal with at most three places, as the protocol wants it.

    Raises ValueError for what it cannot write: negative, not finite, above 999999.
    """
    if not (math.isfinite(value) and 0 <= value < 1e6):
        raise ValueError(f"{value!r} cannot be written as a plain decimal")
    return f"{value:.3f}".rstrip("0").rstrip(".")


def frame(number: int, words: str) -> bytes:
    """A whole host line."""
    return seal(f"N{number} {words}")


def next_number(number: int) -> int:
    """The line number after this one: 1 to 65535, round again."""
    return number % 65535 + 1


@dataclass(frozen=True, slots=True)
class Reply:
    """One line of the controller. ``words`` by letter; ``flags`` are the words that are no number."""

    tag: str
    words: Mapping[str, float]
    flags: tuple[str, ...]
    text: str

    @property
    def number(self) -> int | None:
        """The host line this belongs to."""
        return int(self.words["N"]) if "N" in self.words else None

    @property
    def nonce(self) -> int | None:
        """The session this belongs to; 0 is none."""
        return int(self.words["K"]) if "K" in self.words else None

    @property
    def height(self) -> float | None:
        """Z in m, None where the line does not say."""
        return self.words["Z"] * 1e-3 if "Z" in self.words else None

    @property
    def orientation(self) -> int | None:
        """How the turner holds the sample: +1 at 0 degrees, -1 at 180; None: not known, or no turner.

        In telemetry ``A`` is the thermistor, so such a line never tells.
        """
        angle = self.words.get("A") if self.tag != "tm" else None
        return next((way for way, degrees in ANGLES.items() if degrees == angle), None)

    @property
    def angle_lost(self) -> bool:
        """Whether the controller says, standing, that it does not know the turner's angle."""
        return "A?" in self.flags and not self.moving

    @property
    def homed(self) -> bool:
        """Whether the controller knows its position."""
        return self.words.get("H") == 1

    @property
    def moving(self) -> bool:
        """Whether a motion, a homing or a wait is under way."""
        return self.words.get("M") in (1, 2, 3)


def parse_reply(line: bytes) -> Reply | None:
    """One line of the controller without its newline; None when the check does not hold or a word repeats."""
    body = unseal(line)
    if not body:
        return None
    tag, *parts = body.split(" ")
    words: dict[str, float] = {}
    flags: list[str] = []
    for part in parts:
        if found := _WORD.fullmatch(part):
            if found[1] in words:
                return None
            words[found[1]] = float(found[2])
        else:
            flags.append(part)
    return Reply(tag, words, tuple(flags), body)


def telemetry(reply: Reply) -> dict[str, float]:
    """What a ``tm`` line measured: ``temperature_K``, ``hall_V``, ``vibration_V`` (V rms).

    A channel at its end (open or shorted sensor) is left out: it is not measured.
    """
    measured: dict[str, float] = {}
    thermistor, hall, vibration = (reply.words.get(letter) for letter in "ABV")
    if thermistor is not None and 0.01 < (share := thermistor / 65536) < 0.99:
        # B equation of a 10 kohm thermistor (B = 3950 K) under 10 kohm: protocol page, section 8.
        measured["temperature_K"] = 1 / (1 / 298.15 + math.log(share / (1 - share)) / 3950)
    if hall is not None and 0.01 < hall / 65536 < 0.99:
        measured["hall_V"] = 5 * hall / 65536
    if vibration is not None:
        measured["vibration_V"] = 5 * vibration / 16384
    return measured
