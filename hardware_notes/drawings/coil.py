"""The coil that calibrates a bench, cut through its axis."""

from __future__ import annotations

from svg import Picture


def coil() -> Picture:
    """Former and winding in section, over the reference magnet; sizes in mm."""
    p = Picture(920, 370, "The coil, cut through its axis, over the reference magnet")
    k, cx, top = 34.0, 270.0, 70.0
    p.text(30, 34, "The coil, cut through its axis (lengths in mm)", size=15)
    for y in (top, top + 4 * k):  # the two flanges, 1 mm each
        p.box(cx - 4 * k, y, 8 * k, k, "plastic")
    p.box(cx - 1.45 * k, top + k, 2.9 * k, 3 * k, "plastic")
    for side in (-1, 1):
        x = cx - 3 * k if side < 0 else cx + 1.5 * k
        p.box(x, top + k, 1.5 * k, 3 * k, "laminate")
    p.line([(cx, top - 20), (cx, top + 5 * k + 105)], dashes="12 4 2 4", width=0.8)
    p.box(cx - 5.2 * k, top + 5 * k + 34, 10.4 * k, 80, "magnet", "reference magnet")
    p.dimension((cx - 4 * k, top + k), (cx - 4 * k, top + 4 * k), "3.00", -24)
    p.dimension((cx - 4 * k, top), (cx - 4 * k, top + 5 * k), "5.00", -70)
    p.dimension((cx + 1.5 * k, top + 5 * k), (cx + 3 * k, top + 5 * k), "1.50", 18)
    p.note(
        500,
        66,
        "leads: twisted, 0.05 to 0.1 mm, out at the axis\nand up, to the rest, never to the pan",
        (cx + 4, 62),
    )
    p.note(
        500,
        130,
        "former: acetal or PEEK, turned; both flanges 1.00,\nso that either end may be down",
        (cx + 3.6 * k, 90),
    )
    p.note(
        500,
        194,
        "winding: 291 turns of 0.10 mm enamelled copper,\nradius 1.5 to 3.0, wound evenly",
        (cx + 2.6 * k, 165),
    )
    p.note(500, 258, "contact gap: as under a sample", (cx + 4.4 * k, top + 5 * k + 16))
    return p
