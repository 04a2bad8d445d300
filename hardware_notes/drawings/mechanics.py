"""Bench, riser, rest and lift, in side view."""

from __future__ import annotations

import sizes as s
from svg import FAINT, Picture


def bench() -> Picture:
    """What stands on the pan, and what must not touch it."""
    p = Picture(860, 560, "The bench in side view: what stands on the pan and what must not touch it")
    scale, pan_y, axis = 2.1, 430, 380
    p.box(244, pan_y + 22, 272, 70, "aluminium", "balance", 6)
    p.box(axis - 75, pan_y, 150, 10, "aluminium")
    p.line([(axis, pan_y + 10), (axis, pan_y + 22)], width=6)
    top = pan_y - scale * s.RISER_HEIGHT
    w = scale * s.RISER_DIAMETER
    p.box(axis - scale * s.FOOT_DIAMETER / 2, pan_y - 12, scale * s.FOOT_DIAMETER, 12, "plastic")
    p.box(axis - w / 2, top, w, pan_y - 12 - top, "plastic", "riser")
    mw, mh = scale * s.MAGNET_DIAMETER, scale * s.MAGNET_HEIGHT
    p.box(axis - mw / 2, top - mh, mw, mh, "magnet")
    gap = 26
    sw, sh = scale * s.SAMPLE_DIAMETER, scale * s.SAMPLE_HEIGHT
    plate = 12
    p.box(axis - 170, top - mh - gap - plate, 340, plate, "plastic")
    p.box(axis - sw / 2, top - mh - gap - sh - 1, sw, sh, "sample")
    for x in (axis - 170, axis + 146):
        p.box(x, top - mh - gap, 24, 6, "paper")
        p.box(x, top - mh - gap + 6, 24, 6, "paper")
        p.box(x, top - mh - gap + 12, 24, pan_y + 92 - (top - mh - gap + 12), "aluminium")
    p.line([(60, pan_y + 92), (700, pan_y + 92)], width=2.5)
    p.line([(185, pan_y + 60), (185, 120), (575, 120), (575, pan_y + 60)], colour=FAINT, dashes="6 4")
    p.dimension((axis + mw / 2, top - mh), (axis + mw / 2, top - mh - gap), "gap", 26)
    p.note(
        600,
        152,
        "sample, magnetised upright,\nheld down in the rest's seat",
        (axis + sw / 2, top - mh - gap - 5),
    )
    p.note(600, 208, "spacers, the same number\non every pin of the rest", (axis + 168, top - mh - gap + 8))
    p.note(600, 264, "reference magnet, held\nin the riser's cup", (axis + mw / 2, top - mh / 2))
    p.note(
        600, 330, "rest: stands on the table,\ntouches neither balance\nnor draught shield", (axis + 168, 345)
    )
    p.note(600, 410, "pan", (axis + 75, pan_y + 5))
    p.note(150, 110, "draught shield", (185, 132), "end")
    p.text(40, 46, "Everything on the pan moves as one piece; everything else stands on the table.", size=15)
    p.text(
        40, 68, "No iron or steel within a hand's breadth of magnet or sample. Not to scale.", colour=FAINT
    )
    return p


def riser() -> Picture:
    """The riser: keeps the magnet away from the balance's own magnet."""
    p = Picture(660, 520, "Riser, in section")
    scale, axis, foot_y = 3.0, 250, 440
    foot, body = scale * s.FOOT_DIAMETER / 2, scale * s.RISER_DIAMETER / 2
    top = foot_y - scale * s.RISER_HEIGHT
    wall = 9
    p.box(axis - foot, foot_y - scale * s.FOOT_HEIGHT, 2 * foot, scale * s.FOOT_HEIGHT, "plastic")
    p.box(axis - body, top + 18, wall, foot_y - scale * s.FOOT_HEIGHT - top - 18, "plastic")
    p.box(axis + body - wall, top + 18, wall, foot_y - scale * s.FOOT_HEIGHT - top - 18, "plastic")
    p.box(axis - body, top, 2 * body, 18, "plastic")
    magnet, depth = scale * s.MAGNET_DIAMETER / 2, scale * s.CUP_DEPTH
    p.box(axis - magnet - wall, top - depth, wall, depth, "plastic")
    p.box(axis + magnet, top - depth, wall, depth, "plastic")
    p.box(axis - magnet - wall, top - depth - 4, 2 * (magnet + wall), 4, "plastic")
    p.box(
        axis - magnet,
        top - scale * s.MAGNET_HEIGHT,
        2 * magnet,
        scale * s.MAGNET_HEIGHT,
        "magnet",
        "magnet",
    )
    inside = body - wall
    p.box(axis - inside, foot_y - scale * s.FOOT_HEIGHT - 24, 2 * inside, 24, "aluminium")
    p.line([(axis, top - 66), (axis, foot_y + 14)], colour=FAINT, dashes="10 4 2 4")
    p.dimension((axis - foot, foot_y), (axis - foot, top), f"{s.RISER_HEIGHT:g} mm", -26)
    p.dimension((axis - foot, foot_y), (axis + foot, foot_y), f"{s.FOOT_DIAMETER:g} mm", 40)
    p.note(
        400,
        96,
        "cup with a thin cap or a ring: it\nholds the magnet, which is pulled\nwith several times its weight",
        (axis + magnet + wall, top - depth - 2),
    )
    p.note(400, 220, "tube and top: acetal or acrylic,\nno metal screw", (axis + body, 250))
    p.note(
        400,
        340,
        "ballast of brass inside:\nmagnet, riser and ballast weigh\nmore than the largest pull",
        (axis + inside - 4, foot_y - 30),
    )
    p.text(30, 36, "Riser, in section", size=15)
    return p


def rest() -> Picture:
    """The rest: holds the sample over the magnet, always at the same place."""
    p = Picture(800, 560, "Rest: section through the seat, and from above")
    scale, axis = 14.0, 330
    under = 190
    plate, floor = scale * s.PLATE_THICKNESS, scale * s.SEAT_FLOOR
    sample, height = scale * s.SAMPLE_DIAMETER / 2, scale * s.SAMPLE_HEIGHT
    p.box(axis - 200, under - plate, 400, plate, "plastic")
    p.box(axis - sample - 3, under - plate, 2 * sample + 6, plate - floor, "paper")
    p.box(axis - sample, under - floor - height, 2 * sample, height, "sample", "sample")
    p.box(axis - sample, under - plate - 10, 2 * sample, plate - floor - height + 10, "aluminium", "plug")
    magnet = scale * s.MAGNET_DIAMETER / 2
    p.box(axis - magnet, under + 14, 2 * magnet, 42, "magnet", "reference magnet")
    p.note(
        250,
        60,
        "plug, taped or screwed\ndown: the turned field\npushes the sample up",
        (axis - sample, 100),
        "end",
    )
    p.dimension((axis + 200, under - floor), (axis + 200, under + 14), "contact", 20)
    p.dimension((axis - 200, under), (axis - 200, under - plate), f"{s.PLATE_THICKNESS:g} mm", -24)
    p.note(560, 84, "seat: turned to the sample's\ndiameter + 0.05 mm", (axis + sample + 3, 126))
    p.note(
        560,
        148,
        f"floor {s.SEAT_FLOOR:g} mm; contact =\nfloor + air + cap: calibrate",
        (axis + 170, under - 3),
    )
    p.text(30, 36, "Rest at its lowest: section through the seat", size=15)
    p.text(30, 300, "From above", size=15)
    left, right, y = 90, 90 + 3.0 * s.BRIDGE_SPAN, 420
    p.box(left, y - 50, right - left, 100, "plastic", r=8)
    for x in (left + 24, right - 24):
        for dy in (-30, 30) if x == left + 24 else (0,):
            p.circle(x, y + dy, 9, "aluminium")
            p.circle(x, y + dy, 3)
    p.circle((left + right) / 2, y, 9, "sample")
    p.dimension((left + 24, y + 50), (right - 24, y + 50), f"{s.BRIDGE_SPAN - 16:g} mm: clear of the pan", 36)
    p.note(600, 350, "three pins, so that it\nstands without rocking", (right - 20, y - 8))
    p.note(
        130,
        530,
        f"spacers: washers of one sheet, {s.SPACER:g} mm acetal, the same number on every pin",
        (left + 24, y + 40),
    )
    return p


def lift() -> Picture:
    """The lift: screw above the draught shield, motor at the far end, stops where they count."""
    p = Picture(940, 690, "The lift in side view")
    axis, column, base = 300, 480, 640
    gap, left_open = 34, 10  # the bolt ends the way before the sample meets the magnet
    p.line([(60, base), (620, base)], width=2.5)
    p.box(column, 70, 30, base - 70, "aluminium")
    p.box(column + 30, 52, 76, 76, "aluminium", "motor", 4)
    p.line([(column - 30, 110), (column - 30, 420)], width=5, colour=FAINT)
    p.line([(column + 68, 66), (column + 68, 44), (column - 30, 44), (column - 30, 110)], dashes="4 3")
    for y in (100, 412):
        p.box(column - 44, y, 44, 14, "aluminium")
    carriage = 330
    p.box(column - 56, carriage, 52, 40, "aluminium", "nut")
    p.box(axis - 16, carriage + 12, column - 56 - axis + 16, 16, "plastic")
    p.box(axis - 10, carriage + 28, 20, 74, "plastic")
    p.box(axis - 14, carriage + 102, 28, 14, "sample")
    top = carriage + 116 + gap
    p.box(axis - 46, top, 92, 40, "magnet", "magnet")
    p.box(axis - 50, top + 40, 100, 50, "plastic", "riser")
    p.box(axis - 90, top + 90, 180, 10, "aluminium")
    p.line([(axis, top + 100), (axis, top + 108)], width=6)
    p.box(axis - 120, top + 108, 240, base - top - 108, "aluminium", "balance", 6)
    p.box(column - 20, 176, 20, 20, "paper")
    p.line([(column - 16, 196), (column - 10, 204)], width=2)
    p.line([(column - 78, carriage + 28 + gap - left_open), (column - 78, 424)], width=6)
    p.box(column - 90, 424, 46, 12, "aluminium")
    p.note(190, 560, "pan", (axis - 90, 574), "end")
    p.dimension((axis - 14, carriage + 116), (axis - 14, top), "gap", -60)
    p.note(
        215,
        392,
        "sample, glued or clamped:\npulled and pushed with many\ntimes its weight",
        (axis - 14, 439),
        "end",
    )
    p.line([(column - 100, 300), (column - 100, 230)], tips="end")
    p.text(column - 108, 268, "opens (Z grows)", "end")
    p.note(
        620,
        60,
        "motor outside the draught shield,\nas far as the screw allows, or\nby a belt; a silent driver",
        (column + 106, 84),
    )
    p.note(620, 170, "far-end switch, normally closed:\nhoming goes away from the balance", (column, 186))
    p.note(
        620,
        260,
        "2 mm single-start screw, self-locking;\npreloaded or gravity-loaded nut:\nno backlash",
        (column - 28, 280),
    )
    p.note(
        620,
        400,
        "bolt: mechanical stop at the\nsmallest safe gap, holds when\nsoftware does not",
        (column - 44, 430),
    )
    p.note(
        210, 310, "arm: aluminium or plastic,\nno steel near the sample", (axis + 40, carriage + 14), "end"
    )
    p.note(620, 520, "column on the table,\nnot on the balance", (column + 30, 560))
    p.text(40, 32, "The lift, sample above the pan. Not to scale.", size=15)
    p.text(40, 668, f"Travel {s.SCREW_TRAVEL:g} mm.", colour=FAINT)
    return p
