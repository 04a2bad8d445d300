"""The wires between board, driver, switches and sensors."""

from __future__ import annotations

from svg import FAINT, Picture

#: Pin, what it goes to, what is between: as hardware_notes/firmware/config.h has them.
MOTOR = [("D4", "STEP"), ("D5", "DIR"), ("D6", "/ENABLE")]
TURNER = [("D7", "STEP"), ("D6", "/ENABLE")]
CONTACTS = [("D8", "far-end switch"), ("D9", "emergency stop, pole 2")]
ANALOGUE = [
    ("A0", "thermistor", "10 kohm, beside the magnet; 10 kohm to 5 V"),
    ("A1", "Hall sensor", "linear, ratiometric; 5 V and ground"),
    ("A2", "vibration", "accelerometer or piezo, resting at 2.5 V"),
]


def wiring() -> Picture:
    """One page of wires."""
    p = Picture(900, 880, "Wiring of the lift")
    p.text(30, 34, "Wiring of the lift", size=15)
    left, right = 230, 400
    p.box(left, 70, right - left, 780, "board", r=8)
    for i, words in enumerate(("8-bit board", "ATmega328P", "16 MHz, 5 V", "USB serial")):
        p.text(left + 16, 300 + 18 * i, words)
    p.box(560, 70, 150, 180, "aluminium", r=6)
    p.text(635, 90, "motor driver", "middle")
    p.box(790, 110, 80, 80, "aluminium", "motor", 6)
    for i in range(4):
        p.line([(710, 126 + 16 * i), (790, 126 + 16 * i)])
    p.text(750, 112, "shielded", "middle", size=11, colour=FAINT)
    for i, (pin, name) in enumerate(MOTOR):
        y = 112 + 30 * i
        p.line([(right, y), (560, y)], tips="end")
        p.text(right - 6, y + 4, pin, "end")
        p.text(566, y + 4, name)
    p.line([(500, 172), (500, 184)])
    p.box(494, 182, 12, 22, "paper")
    p.line([(500, 204), (500, 212)])
    p.text(510, 197, "10 k", size=11)
    p.text(500, 224, "5 V", "middle", size=11)
    p.line([(right, 240), (560, 240)])
    p.text(right - 6, 244, "GND", "end")
    p.text(566, 244, "GND")
    for i, (pin, name) in enumerate(CONTACTS):
        y = 316 + 72 * i
        p.text(right - 6, y + 4, pin, "end")
        p.line([(right, y), (440, y)])
        p.box(440, y - 6, 40, 12, "paper", "")
        p.text(460, y - 11, "1 k", "middle", size=11)
        p.line([(480, y), (590, y)])
        p.line([(420, y), (420, y + 22)])
        p.line([(410, y + 22), (430, y + 22)])
        p.line([(410, y + 27), (430, y + 27)])
        p.line([(420, y + 27), (420, y + 40)])
        p.text(434, y + 30, "100 n", size=11)
        p.text(420, y + 53, "GND", "middle", size=11)
        p.circle(590, y, 3)
        p.line([(590, y), (634, y)], width=2)
        p.circle(634, y, 3)
        p.line([(634, y), (690, y)])
        p.text(694, y + 4, "GND")
        p.text(590, y - 12, f"{name}: normally closed")
    for i, (pin, name, how) in enumerate(ANALOGUE):
        y = 464 + 38 * i
        p.text(right - 6, y + 4, pin, "end")
        p.line([(560, y), (right, y)], tips="end")
        p.text(566, y + 1, name)
        p.text(566, y + 17, how, size=11, colour=FAINT)
    p.line([(left, 120), (120, 120)], tips="both")
    p.box(40, 96, 80, 48, "paper", "computer", 4)
    p.text(175, 112, "USB", "middle")
    p.text(175, 138, "isolator", "middle", size=11, colour=FAINT)
    p.line([(710, 226), (726, 226)])
    p.circle(729, 226, 3)
    p.line([(732, 226), (768, 226)], width=2)
    p.circle(771, 226, 3)
    p.line([(774, 226), (790, 226)])
    p.line([(710, 240), (790, 240)])
    p.text(704, 244, "GND", "end", size=11)
    p.box(790, 204, 100, 44, "paper", "motor supply,\nfused", 4)
    p.text(890, 266, "emergency stop, pole 1: cuts the motor supply", "end")
    p.text(704, 230, "supply, 100 uF", "end", size=11)
    _turner(p, right)
    return p


def _turner(p: Picture, right: float) -> None:
    """What the turner adds: a driver of its own and one plug with its switch and its link."""
    p.line([(430, 582), (880, 582)], colour=FAINT, dashes="6 4")
    p.text(880, 600, "with a turner", "end", colour=FAINT)
    p.box(560, 612, 150, 90, "aluminium", r=6)
    p.text(635, 630, "driver of the turner", "middle")
    p.box(790, 620, 80, 70, "aluminium", "motor", 6)
    for i in range(4):
        p.line([(710, 630 + 15 * i), (790, 630 + 15 * i)])
    for i, (pin, name) in enumerate(TURNER):
        y = 652 + 22 * i
        p.line([(right, y), (560, y)], tips="end")
        p.text(right - 6, y + 4, pin, "end")
        p.text(566, y + 4, name)
    p.text(566, 696, "DIR fixed", size=11)
    p.text(635, 718, "supply and GND as the other driver", "middle", size=11, colour=FAINT)
    p.box(600, 738, 270, 112, "paper", r=6)
    p.text(862, 756, "turner's plug", "end", colour=FAINT)
    for y, pin, words in ((772, "D10", "slotted switch, output"), (836, "D11", "link to GND")):
        p.text(right - 6, y + 4, pin, "end")
        p.line([(right, y), (600, y)])
        p.text(608, y + 4, words)
    p.line([(600, 804), (right, 804)])
    p.text(right - 6, 808, "5 V", "end")
    p.box(500, 798, 40, 12, "paper")
    p.text(520, 793, "220", "middle", size=11)
    p.text(608, 808, "its lamp, 17 mA; other end to GND")
    p.box(470, 740, 12, 22, "paper")
    p.line([(476, 762), (476, 772)])
    p.line([(476, 740), (476, 732)])
    p.text(488, 755, "10 k", size=11)
    p.text(476, 728, "5 V", "middle", size=11)
