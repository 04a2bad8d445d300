"""The loop so far as a small picture (SVG): M against the applied field, readings to come thin."""

from __future__ import annotations

from collections.abc import Sequence
from html import escape
from itertools import groupby
from math import floor, log10

from ..state.compute import LoopPoint, Magnetised

#: Of the picture, pixels of its own; and the room around the axes for their words.
WIDTH, HEIGHT, LEFT, RIGHT, TOP, BOTTOM = 340, 250, 46, 10, 12, 34


def loop_picture(loop: Magnetised) -> str:
    """The picture as a text to stand in a page; empty where there is nothing to show.

    Once there are readings they alone set the scale. Colours come from the page's own style (classes
    ``axis``, ``taken``, ``aside``, ``coming``).
    """
    shown = loop.taken or loop.coming
    if not shown:
        return ""
    half_x = 1.08 * max(abs(p.H) for p in shown) or 1.0
    half_y = 1.15 * max(abs(p.M) for p in shown) or 1.0

    def place(p: LoopPoint) -> tuple[float, float]:
        x = LEFT + (WIDTH - LEFT - RIGHT) * (p.H / half_x + 1) / 2
        y = TOP + (HEIGHT - TOP - BOTTOM) * (1 - p.M / half_y) / 2
        return x, y

    parts = [
        f'<svg viewBox="0 0 {WIDTH} {HEIGHT}" role="img" aria-label="{escape(_words(loop))}">',
        f'<clipPath id="plot"><rect x="{LEFT}" y="{TOP}" width="{WIDTH - LEFT - RIGHT}"'
        f' height="{HEIGHT - TOP - BOTTOM}"/></clipPath>',
        *_axes(half_x, half_y),
        '<g clip-path="url(#plot)">',
    ]
    for _, passage in groupby((p for p in loop.coming), key=lambda p: p.leg):
        parts.append(_line([place(p) for p in passage], "coming"))
    for _, passage in groupby((p for p in loop.taken if p.used), key=lambda p: p.leg):
        parts.append(_line([place(p) for p in passage], "taken"))
    for p in loop.taken:
        x, y = place(p)
        parts.append(f'<circle class="{"taken" if p.used else "aside"}" cx="{x:.1f}" cy="{y:.1f}" r="2.2"/>')
    parts.append("</g></svg>")
    return "".join(parts)


def _words(loop: Magnetised) -> str:
    used = sum(p.used for p in loop.taken)
    return f"Magnetisation against field: {used} readings, {len(loop.coming)} to come"


def _line(places: Sequence[tuple[float, float]], kind: str) -> str:
    return f'<polyline class="{kind}" points="{" ".join(f"{x:.1f},{y:.1f}" for x, y in places)}"/>'


def _axes(half_x: float, half_y: float) -> list[str]:
    """Frame, zero lines, and three numbers on each axis, in kA/m."""
    right, low = WIDTH - RIGHT, HEIGHT - BOTTOM
    middle_x, middle_y = (LEFT + right) / 2, (TOP + low) / 2
    parts = [
        f'<rect class="axis" x="{LEFT}" y="{TOP}" width="{right - LEFT}" height="{low - TOP}"/>',
        f'<path class="axis zero" d="M{LEFT} {middle_y}H{right}M{middle_x} {TOP}V{low}"/>',
        f'<text x="{middle_x}" y="{HEIGHT - 4}" text-anchor="middle"><tspan font-style="italic">H</tspan>'
        " applied in kA/m</text>",
        f'<text transform="translate(11 {middle_y}) rotate(-90)" text-anchor="middle">'
        '<tspan font-style="italic">M</tspan> in kA/m</text>',
    ]
    for value, half, along_x in ((v, h, a) for h, a in ((half_x, True), (half_y, False)) for v in _ticks(h)):
        text = f"{value / 1e3:g}".replace("-", "\N{MINUS SIGN}")
        if along_x:
            x = middle_x + (right - LEFT) / 2 * value / half
            parts.append(f'<text x="{x:.1f}" y="{low + 13}" text-anchor="middle">{text}</text>')
        else:
            y = middle_y - (low - TOP) / 2 * value / half
            parts.append(f'<text x="{LEFT - 4}" y="{y + 3.5:.1f}" text-anchor="end">{text}</text>')
    return parts


def _ticks(half: float) -> tuple[float, float, float]:
    """Minus a round number, zero, and the round number: 1, 2 or 5 times a power of ten below ``half``."""
    power = 10.0 ** floor(log10(half))
    step = max(m * power for m in (1, 2, 5) if m * power <= half)
    return -step, 0.0, step
