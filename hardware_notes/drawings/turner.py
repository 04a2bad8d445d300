"""The turner: the whole in side view, its head, its disc; all three to scale."""

from __future__ import annotations

from math import cos, pi, radians, sin

import sizes as s
from svg import FAINT, Picture

#: Degrees: light at each end, and of the mark; from the mark's leading edge to that of the slot at 0; how far
#: past an edge the rod rests (hardware_notes/firmware/config.h, 3200 steps to the turn).
SLOT, MARK, MARK_TO_SLOT, PAST_EDGE = 3.6, 14.4, 28.8, 0.9


def _scale_bar(p: Picture, x: float, y: float, mm: float, scale: float) -> None:
    p.line([(x, y), (x + mm * scale, y)], width=2.5)
    for end in (x, x + mm * scale):
        p.line([(end, y - 4), (end, y + 4)], width=1.2)
    p.text(x + mm * scale / 2, y - 8, f"{mm:g} mm", "middle", size=11)


def turner() -> Picture:
    """Rod, bearings, disc and motor on the lift's carriage, at the lowest height where it turns."""
    p = Picture(960, 640, "The turner on the lift, in side view, at the lowest height where it turns")
    k, axis, base = 1.6, 220.0, 590.0
    magnet_top = 376.0
    y = magnet_top - k * (s.TURNING_GAP + s.SAMPLE_HEIGHT / 2)

    def x(mm: float) -> float:
        return axis + k * mm

    p.line([(40, base), (920, base)], width=2.5)
    # the balance's side
    r, top = k * s.MAGNET_DIAMETER / 2, magnet_top + k * s.MAGNET_HEIGHT
    p.box(axis - r, magnet_top, 2 * r, k * s.MAGNET_HEIGHT, "magnet")
    p.box(axis - k * 20, top, k * 40, 70, "plastic", "riser")
    p.box(axis - k * 40, top + 70, k * 80, 8, "aluminium")
    p.line([(axis, top + 78), (axis, top + 88)], width=6)
    p.box(axis - k * 75, top + 88, k * 150, base - top - 88, "aluminium", "balance", 6)
    p.line([(x(-85), base), (x(-85), 170), (x(90), 170), (x(90), y - 76)], colour=FAINT, dashes="6 4")
    p.line([(x(90), y + 12), (x(90), base)], colour=FAINT, dashes="6 4")
    # the lift's side
    p.box(x(200), 90, 48, base - 90, "aluminium")
    p.box(x(s.OVERHANG - 6), y - 72, k * (s.ROD_LENGTH - s.OVERHANG + 6), 22, "aluminium")
    p.box(x(190), y - 80, 80, 38, "aluminium", "carriage")
    half = k * s.ROD_DIAMETER / 2
    for at in (s.OVERHANG, s.ROD_LENGTH - 50):
        p.box(x(at) - 10, y - 50, 20, 50 + half + 8, "plastic")
    p.box(x(s.BLADE_LENGTH), y - half, k * (s.ROD_LENGTH - s.BLADE_LENGTH - 12), 2 * half, "laminate")
    blade = k * s.SAMPLE_HEIGHT / 2
    p.box(x(-5), y - blade, k * (s.BLADE_LENGTH + 8), 2 * blade, "laminate")
    p.box(axis - k * s.SAMPLE_DIAMETER / 2, y - blade, k * s.SAMPLE_DIAMETER, 2 * blade, "sample")
    disc = s.ROD_LENGTH - 28
    p.box(x(disc) - 1.5, y - k * s.DISC_RADIUS, 3, 2 * k * s.DISC_RADIUS, "sample")
    p.box(x(disc) - 9, y + k * s.SLOT_RADIUS - 9, 18, 30, "board")
    p.box(x(s.ROD_LENGTH - 12), y - 7, k * 12, 14, "paper")
    p.box(x(s.ROD_LENGTH), y - k * 17.5, k * 35, k * 35, "aluminium", "motor", 4)
    p.line([(axis, 200), (axis, magnet_top - 2)], colour=FAINT, dashes="10 4 2 4")
    # sizes and words
    p.dimension((axis, y - 66), (x(s.ROD_LENGTH), y - 66), f"{s.ROD_LENGTH:g} mm, never below 300", -86)
    p.dimension((axis, y + 40), (x(s.OVERHANG), y + 40), f"{s.OVERHANG:g} mm", 18)
    p.dimension((x(-14), magnet_top), (x(-14), y + blade), "45 mm + contact", -30)
    p.note(
        600,
        424,
        "rod: carbon or glass fibre tube, 10 x 8 mm;\nturns about its own axis, always the same way",
        (x(165), y + half),
    )
    p.note(
        600,
        484,
        "bearings: V-blocks of plastic, the rod pressed\ninto them by a brass spring: no play",
        (x(s.OVERHANG) + 6, y + 12),
    )
    p.note(806, 366, "disc and slotted\noptical switch", (x(disc) + 9, y + k * s.SLOT_RADIUS + 14))
    p.note(640, 196, "beam on the carriage, above the rod", (x(245), y - 70))
    p.note(430, 560, "lift's column", (x(200), 530), "end")
    p.note(112, 112, "draught shield, with a slot\nfor the rod's whole travel", (x(-70), 170))
    p.text(30, 36, "The turner on the lift, at the lowest height where it turns", size=15)
    p.text(
        30,
        56,
        "Sample and rod to scale with each other; the lift's screw is left out (lift.svg).",
        colour=FAINT,
    )
    _scale_bar(p, 800, 620, 50, k)
    return p


def head() -> Picture:
    """The blade that holds the sample: from above, in section, and beside the magnet at the closest gap."""
    p = Picture(940, 620, "The turner's head: blade and sample, from above and in side view")
    k, axis, y = 9.0, 240.0, 170.0

    def x(mm: float) -> float:
        return axis + k * mm

    width, rod = k * s.BLADE_WIDTH / 2, k * s.ROD_DIAMETER / 2
    p.text(30, 34, "From above", size=15)
    bore = k * s.ROD_BORE / 2
    p.box(x(-9), y - width, k * (8 + s.BLADE_LENGTH), 2 * width, "laminate", r=6)
    p.box(x(s.BLADE_LENGTH), y - rod, k * 30, 2 * rod, "laminate")
    p.box(x(s.BLADE_LENGTH) - 9, y - bore, 9, 2 * bore, "laminate")
    tail = x(s.BLADE_LENGTH + 12)
    for side in (-bore, bore):
        p.line([(x(s.BLADE_LENGTH), y + side), (tail, y + side)], dashes="5 4")
    p.line([(tail, y - bore), (tail, y + bore)], dashes="5 4")
    p.circle(axis, y, k * s.SAMPLE_DIAMETER / 2 + 1.5)
    p.circle(axis, y, k * s.SAMPLE_DIAMETER / 2, "sample")
    p.line([(x(-9), y), (axis - k * s.SAMPLE_DIAMETER / 2 - 1, y)], width=4, colour="#ffffff")
    p.line([(x(-9), y - 2), (axis - k * 3.2, y - 2)])
    p.line([(x(-9), y + 2), (axis - k * 3.2, y + 2)])
    p.box(x(-6) - 5, y - width - 3, 10, 2 * width + 6, "paper")
    for turn in (-2, 2):
        p.line([(x(-6) + turn, y - width - 3), (x(-6) + turn, y + width + 3)], width=0.8)
    p.line([(axis, y), (x(58), y)], colour=FAINT, dashes="10 4 2 4")
    p.text(x(58) + 6, y + 4, "the rod's axis")
    p.note(
        330,
        60,
        "bore: the sample's diameter + 0.03 mm, the joint filled with wax or glue;\n"
        "a band of aramid thread in a groove closes the saw cut",
        (x(-6) + 5, y - width - 2),
    )
    p.note(440, 268, "the blade's tail, 8 mm wide, set in epoxy in the rod", (x(42), y + rod))
    p.dimension((x(-9), y - width), (x(-9), y + width), f"{s.BLADE_WIDTH:g} mm", -40)
    p.text(30, 322, "In side view, at the closest gap", size=15)
    y = 400.0
    half = k * s.SAMPLE_HEIGHT / 2
    p.box(x(-9), y - half, k * (9 + s.BLADE_LENGTH + 12), 2 * half, "laminate")
    for up in (-1, 1):
        wall = rod - bore
        p.box(x(s.BLADE_LENGTH), y + up * (rod + bore) / 2 - wall / 2, k * 30, wall, "laminate")
        p.box(
            x(s.BLADE_LENGTH), y + up * (bore + half) / 2 - (bore - half) / 2, k * 12, bore - half, "plastic"
        )
    p.box(axis - k * s.SAMPLE_DIAMETER / 2, y - half, k * s.SAMPLE_DIAMETER, 2 * half, "sample", "sample")
    p.line([(x(-12), y), (x(58), y)], colour=FAINT, dashes="10 4 2 4")
    magnet, contact = k * s.MAGNET_DIAMETER / 2, k * 1.0
    p.box(axis - magnet, y + half + contact, 2 * magnet, k * s.MAGNET_HEIGHT, "magnet", "reference magnet")
    for side in (-1, 1):
        p.box(axis + side * (magnet + 13.5) - 13.5, y + half + contact, 27, k * s.MAGNET_HEIGHT, "plastic")
    p.dimension((x(-9), y + half), (x(-9), y + half + contact), "contact", -60)
    p.dimension(
        (axis, y - rod), (x(s.BLADE_LENGTH), y - rod), f"{s.BLADE_LENGTH:g} mm: clear of the cup", -12
    )
    p.note(
        560,
        500,
        "the blade is as thick as the sample is high:\nboth faces flush, the middle on the rod's axis;\n"
        "what is left over is the eccentricity",
        (x(14), y + half),
    )
    p.note(560, 576, "only the thin blade ever enters the cup's circle", (x(13), y + half + contact + 30))
    _scale_bar(p, 790, 606, 10, k)
    return p


def _ring(
    cx: float, cy: float, inner: float, outer: float, start: float, end: float
) -> list[tuple[float, float]]:
    """The outline of a piece of a ring; degrees, 0 up, growing against the clock."""
    steps = [start + (end - start) * i / 12 for i in range(13)]
    outside = [(cx - outer * sin(radians(a)), cy - outer * cos(radians(a))) for a in steps]
    inside = [(cx - inner * sin(radians(a)), cy - inner * cos(radians(a))) for a in reversed(steps)]
    return outside + inside


def disc() -> Picture:
    """The disc seen from the motor, the rod resting at 0 degrees."""
    p = Picture(880, 470, "The turner's disc, seen from the motor, the rod resting at 0 degrees")
    k, cx, cy = 7.0, 240.0, 245.0
    p.text(30, 34, "The disc, seen from the motor, the rod resting at 0 degrees", size=15)
    p.circle(cx, cy, k * s.DISC_RADIUS, "sample")
    inner, outer = k * (s.SLOT_RADIUS - s.SLOT_LENGTH / 2), k * (s.SLOT_RADIUS + s.SLOT_LENGTH / 2)
    # The disc turns with the clock; what follows on it lies against the clock. The switch looks at the top.
    for edge, light in ((0.0, SLOT), (180.0, SLOT), (360.0 - MARK_TO_SLOT, MARK)):
        p.shape(_ring(cx, cy, inner, outer, edge - PAST_EDGE, edge - PAST_EDGE + light))
    p.circle(cx, cy, k * s.ROD_DIAMETER / 2, "laminate")
    left, upper, lower = cx - 11, cy - outer - 26, cy - inner + 8
    p.line(
        [(left, upper), (left + 22, upper), (left + 22, lower), (left, lower), (left, upper)],
        colour="#ffffff",
        width=3,
    )
    p.line([(left, upper), (left + 22, upper), (left + 22, lower), (left, lower), (left, upper)])
    turn = [(cx + 60 * sin(a * pi / 18), cy - 60 * cos(a * pi / 18)) for a in range(4, 13)]
    p.line(turn, colour="#ffffff", width=2)
    xb, yb = turn[-1]
    p.shape([(xb - 10, yb - 6), (xb + 8, yb - 2), (xb - 8, yb + 12)])
    p.text(cx + 4, cy + 82, "turns this way", "middle", colour="#ffffff", size=11)
    width = 2 * pi * s.SLOT_RADIUS / 360
    p.note(
        470,
        124,
        f"slot at 0: {SLOT:g} degrees, {SLOT * width:.2f} mm wide at\n"
        f"the middle; the light stands {PAST_EDGE:g} degrees inside",
        (cx + 3, cy - outer + 8),
    )
    p.note(
        470,
        184,
        f"mark: {MARK:g} degrees, {MARK * width:.1f} mm wide;\n"
        f"its leading edge {MARK_TO_SLOT:g} degrees before that\nof the slot at 0",
        (
            cx + outer * sin(radians(MARK_TO_SLOT - MARK / 2)),
            cy - outer * cos(radians(MARK_TO_SLOT - MARK / 2)),
        ),
    )
    p.note(470, 390, f"slot at 180: {SLOT:g} degrees", (cx + 8, cy + outer - 8))
    p.dimension((cx - k * s.DISC_RADIUS, cy), (cx + k * s.DISC_RADIUS, cy), f"{2 * s.DISC_RADIUS:g} mm", 196)
    p.text(470, 290, f"slots {s.SLOT_LENGTH:g} mm long, their middle {s.SLOT_RADIUS:g} mm from the axis;")
    p.text(470, 308, "1 mm sheet, black and not transparent (infrared too)")
    p.note(
        470,
        64,
        "slotted optical switch, aperture 0.5 mm\nor less; fixed to the beam",
        (cx + 11, cy - outer - 16),
    )
    _scale_bar(p, 690, 440, 10, k)
    return p
