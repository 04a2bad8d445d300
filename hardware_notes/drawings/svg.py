"""A few SVG shapes, so that the drawings need nothing but Python and stay readable as text."""

from __future__ import annotations

from collections.abc import Sequence
from xml.sax.saxutils import escape

INK = "#222222"
FAINT = "#8a8a8a"
FILLS = {
    "magnet": "#c9463d",
    "sample": "#4a5568",
    "plastic": "#dbe7f3",
    "aluminium": "#e3e3e3",
    "board": "#d8ead6",
    "laminate": "#e8d9a8",
    "paper": "#ffffff",
}


def _n(value: float) -> str:
    return f"{value:.1f}".removesuffix(".0") if round(value, 1) else "0"


class Picture:
    """A picture in its own units (pixels). Text is set in a common sans face."""

    def __init__(self, width: float, height: float, title: str) -> None:
        self.size = width, height
        self._parts = [
            f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {_n(width)} {_n(height)}" '
            f'width="{_n(width)}" height="{_n(height)}" font-family="DejaVu Sans, Arial, sans-serif" '
            f'font-size="13" stroke-linejoin="round">',
            f"<title>{escape(title)}</title>",
            '<defs><marker id="tip" viewBox="0 0 8 8" refX="8" refY="4" markerWidth="8" markerHeight="8" '
            f'orient="auto-start-reverse"><path d="M0 1 L8 4 L0 7 z" fill="{INK}"/></marker></defs>',
            f'<rect width="{_n(width)}" height="{_n(height)}" fill="{FILLS["paper"]}"/>',
        ]

    def box(
        self, x: float, y: float, w: float, h: float, material: str = "paper", label: str = "", r: float = 0
    ) -> None:
        """A rectangle of a material, its label in the middle (lines parted by newlines)."""
        self._parts.append(
            f'<rect x="{_n(x)}" y="{_n(y)}" width="{_n(w)}" height="{_n(h)}" rx="{_n(r)}" '
            f'fill="{FILLS[material]}" stroke="{INK}" stroke-width="1.2"/>'
        )
        lines = label.split("\n") if label else []
        for i, line in enumerate(lines):
            colour = "#ffffff" if material in ("magnet", "sample") else INK
            self.text(
                x + w / 2, y + h / 2 + 4.5 + (i - (len(lines) - 1) / 2) * 16, line, "middle", colour=colour
            )

    def circle(self, x: float, y: float, r: float, material: str = "paper") -> None:
        self._parts.append(
            f'<circle cx="{_n(x)}" cy="{_n(y)}" r="{_n(r)}" fill="{FILLS[material]}" stroke="{INK}" '
            'stroke-width="1.2"/>'
        )

    def shape(self, points: Sequence[tuple[float, float]], material: str = "paper") -> None:
        """A polygon of a material."""
        path = " ".join(f"{_n(x)},{_n(y)}" for x, y in points)
        self._parts.append(
            f'<polygon points="{path}" fill="{FILLS[material]}" stroke="{INK}" stroke-width="1.2"/>'
        )

    def line(
        self,
        points: Sequence[tuple[float, float]],
        *,
        colour: str = INK,
        width: float = 1.2,
        dashes: str = "",
        tips: str = "",
    ) -> None:
        """A polyline; ``tips``: "end" or "both"."""
        path = " ".join(f"{_n(x)},{_n(y)}" for x, y in points)
        extra = f' stroke-dasharray="{dashes}"' if dashes else ""
        extra += ' marker-end="url(#tip)"' if tips else ""
        extra += ' marker-start="url(#tip)"' if tips == "both" else ""
        self._parts.append(
            f'<polyline points="{path}" fill="none" stroke="{colour}" stroke-width="{_n(width)}"{extra}/>'
        )

    def text(
        self, x: float, y: float, words: str, anchor: str = "start", *, size: float = 13, colour: str = INK
    ) -> None:
        self._parts.append(
            f'<text x="{_n(x)}" y="{_n(y)}" text-anchor="{anchor}" font-size="{_n(size)}" '
            f'fill="{colour}">{escape(words)}</text>'
        )

    def note(self, x: float, y: float, words: str, to: tuple[float, float], anchor: str = "start") -> None:
        """Words (lines parted by newlines) with a thin line to what they are about."""
        lines = words.split("\n")
        side = x - 4 if anchor == "start" else x + 4
        self.line([(side, y - 4), to], colour=FAINT, width=0.8)
        for i, words_of_line in enumerate(lines):
            self.text(x, y + i * 16, words_of_line, anchor)

    def dimension(self, a: tuple[float, float], b: tuple[float, float], words: str, away: float) -> None:
        """A size between two points, straight up or across, drawn ``away`` from them."""
        (xa, ya), (xb, yb) = a, b
        if xa == xb:
            x = xa + away
            for y in (ya, yb):
                self.line([(xa, y), (x + (4 if away > 0 else -4), y)], colour=FAINT, width=0.8)
            self.line([(x, ya), (x, yb)], tips="both", width=0.9)
            self.text(x + (6 if away > 0 else -6), (ya + yb) / 2 + 4, words, "start" if away > 0 else "end")
        else:
            y = ya + away
            for x in (xa, xb):
                self.line([(x, ya), (x, y + (4 if away > 0 else -4))], colour=FAINT, width=0.8)
            self.line([(xa, y), (xb, y)], tips="both", width=0.9)
            self.text((xa + xb) / 2, y - 5, words, "middle")

    def __str__(self) -> str:
        return "\n".join([*self._parts, "</svg>\n"])
