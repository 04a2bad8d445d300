"""The circuit of the current source: bridge, resistors, coil, and where the board looks."""

from __future__ import annotations

from svg import FAINT, Picture

FAR_END = 450
#: Input of the converter (as hardware_notes/firmware/config.h has them), height in the picture, what it sees.
NODES = [("A3", 280, "shunt, upper end"), ("A4", 360, "shunt, lower end"), ("A5", FAR_END, "coil's far end")]


def _resistor(p: Picture, x: float, y: float, words: str, upright: bool = False) -> None:
    p.box(
        x - (6 if upright else 22), y - (22 if upright else 6), 12 if upright else 44, 44 if upright else 12
    )
    if upright:
        p.text(x + 12, y + 4, words)
    else:
        p.text(x, y - 11, words, "middle", size=11)


def _ground(p: Picture, x: float, y: float) -> None:
    p.line([(x, y), (x, y + 8)])
    for i, half in enumerate((9, 6, 3)):
        p.line([(x - half, y + 8 + 3 * i), (x + half, y + 8 + 3 * i)])


def source() -> Picture:
    """One page of circuit."""
    p = Picture(860, 670, "Current source of the coil")
    p.text(30, 34, "Current source of the coil", size=15)
    left, right = 40, 170
    p.box(left, 60, right - left, 580, "board", r=8)
    for i, words in enumerate(("8-bit board", "ATmega328P")):
        p.text(left + 12, 300 + 18 * i, words)
    p.box(330, 80, 150, 110, "aluminium", r=6)
    p.text(405, 100, "bridge", "middle")
    for y, pin, name in ((120, "D2", "+"), (150, "D3", "-")):
        p.text(right - 6, y + 4, pin, "end")
        p.line([(right, y), (330, y)], tips="end")
        p.text(338, y + 4, f"input {name}", size=11)
    for x, y in ((215, 120), (285, 150)):
        p.line([(x, y), (x, 176)])
        _resistor(p, x, 198, "10 k", upright=True)
        _ground(p, x, 220)
    p.text(right - 6, 84, "5 V", "end")
    p.line([(right, 80), (250, 80), (250, 66), (405, 66), (405, 80)])
    p.text(412, 74, "100 uF, 100 n to GND at the bridge", size=11, colour=FAINT)
    p.line([(360, 190), (360, 196)])
    _ground(p, 360, 196)
    p.text(472, 124, "output A", "end", size=11)
    p.text(472, 176, "output B", "end", size=11)
    # Output A down through resistor, shunt and coil, back to output B.
    x = 620
    p.line([(480, 120), (x, 120), (x, 168)])
    _resistor(p, x, 190, "series, 47 ohm 1 W", upright=True)
    p.line([(x, 212), (x, 298)])
    _resistor(p, x, 320, "shunt, 47 ohm 0.1 %", upright=True)
    p.line([(x, 342), (x, 383)])
    p.box(x - 40, 383, 80, 44, "plastic", "coil", 6)
    p.line([(x, 427), (x, 480), (530, 480), (530, 172), (480, 172)])
    p.line([(566, 370), (800, 370)], colour=FAINT, dashes="6 4")
    p.line([(566, 440), (800, 440)], colour=FAINT, dashes="6 4")
    p.text(800, 384, "coil's plug, on the frame", "end", size=11, colour=FAINT)
    for pin, y, words in NODES:
        p.text(right - 6, y + 4, pin, "end")
        p.line([(right, y), (214, y)])
        _resistor(p, 236, y, "1 k")
        p.line([(258, y), (524, y)])
        if y != FAR_END:
            p.line([(536, y), (x, y)])
        else:
            p.line([(524, y), (530, y)])
        p.circle(530 if y == FAR_END else x, y, 2.5, "sample")
        p.line([(192, y), (192, y + 14)])
        p.line([(184, y + 14), (200, y + 14)])
        p.line([(184, y + 18), (200, y + 18)])
        p.line([(192, y + 18), (192, y + 24)])
        p.text(206, y + 24, "100 n to GND", size=11, colour=FAINT)
        p.text(300, y - 6, words, size=11)
    p.text(right - 6, 524, "A6", "end")
    p.line([(right, 520), (400, 520)])
    p.box(400, 500, 120, 40, "aluminium", "2.500 V, 0.1 %", 6)
    _ground(p, 460, 540)
    p.text(300, 514, "reference, fed by 1 k from 5 V", "middle", size=11)
    p.line([(240, 520), (240, 532)])
    _resistor(p, 240, 554, "10 k", upright=True)
    _ground(p, 240, 576)
    p.text(right - 6, 614, "D12", "end")
    p.line([(right, 610), (400, 610)])
    p.text(408, 614, 'link to GND in the source\'s plug: "there is a source"')
    return p
