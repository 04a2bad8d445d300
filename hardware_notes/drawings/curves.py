"""Choosing the reference magnet: field, pull and stray field, computed with the project's own analysis."""

from __future__ import annotations

from collections.abc import Sequence
from math import log10

import numpy as np
import sizes as s
from svg import FAINT, INK, Picture

from weighloop.analysis.constants import MU0
from weighloop.analysis.magnetostatics.quadrature import choose_order, mean_field, volume
from weighloop.analysis.magnetostatics.reference_magnet import on_axis
from weighloop.analysis.records.bench import ReferenceMagnet, Sample
from weighloop.analysis.units import Measured

#: Diameter and height, mm; the colours keep apart in grey and for most colour-blind eyes.
MAGNETS = [(10.0, 10.0, "#9a6700"), (20.0, 10.0, "#c9463d"), (20.0, 20.0, "#1f6fb4"), (30.0, 15.0, "#3b7d3b")]
REMANENCE = 1.32  # T, sintered NdFeB of a middling grade (common practice, no source)
POLARISATION = 0.38  # T, sintered hard ferrite near saturation (common practice, no source)
GAPS = np.geomspace(1.0, 40.0, 80)  # mm
BELOW = np.geomspace(30.0, 300.0, 60)  # mm under the magnet
G = 9.81


class Axes:
    """One panel with logarithmic axes."""

    def __init__(
        self, p: Picture, box: tuple[float, float, float, float], xs: Sequence[float], ys: Sequence[float]
    ) -> None:
        self.p, self.box, self.xs, self.ys = p, box, xs, ys
        x, y, w, h = box
        p.box(x, y, w, h)
        for value in xs:
            at = self.at(value, ys[0])[0]
            p.line([(at, y), (at, y + h)], colour="#e2e2e2", width=0.8)
            p.text(at, y + h + 17, f"{value:g}", "middle", size=11)
        for value in ys:
            at = self.at(xs[0], value)[1]
            p.line([(x, at), (x + w, at)], colour="#e2e2e2", width=0.8)
            p.text(x - 6, at + 4, f"{value:g}", "end", size=11)

    def at(self, x: float, y: float) -> tuple[float, float]:
        left, top, w, h = self.box
        across = log10(x / self.xs[0]) / log10(self.xs[-1] / self.xs[0])
        up = log10(y / self.ys[0]) / log10(self.ys[-1] / self.ys[0])
        return left + across * w, top + (1 - up) * h

    def curve(self, xs: np.ndarray, ys: np.ndarray, colour: str) -> None:
        points = [(x, y) for x, y in zip(xs, ys, strict=True) if self.ys[0] <= y <= self.ys[-1]]
        self.p.line([self.at(x, y) for x, y in points], colour=colour, width=2)

    def level(self, value: float, words: str) -> None:
        (x0, y), (x1, _) = self.at(self.xs[0], value), self.at(self.xs[-1], value)
        self.p.line([(x0, y), (x1, y)], colour=INK, dashes="5 4", width=1)
        self.p.text(x0 + 6, y - 5, words, size=11)


def magnet(diameter: float, height: float) -> ReferenceMagnet:
    """A cylinder, sizes in mm."""
    return ReferenceMagnet(
        "cylinder",
        height=Measured(height * 1e-3),
        diameter=Measured(diameter * 1e-3),
        remanence=Measured(REMANENCE),
    )


def sample() -> Sample:
    """The disc of the drawings."""
    return Sample(
        "disc",
        "cylinder",
        height=Measured(s.SAMPLE_HEIGHT * 1e-3),
        diameter=Measured(s.SAMPLE_DIAMETER * 1e-3),
    )


def field_and_pull(diameter: float, height: float) -> tuple[np.ndarray, np.ndarray]:
    """Mean field (T) in the sample and pull (g of the reading) at GAPS, the sample near saturation."""
    body, disc = magnet(diameter, height), sample()
    rule = choose_order(body, disc, GAPS[0] * 1e-3)
    field, slope = mean_field(body, disc, GAPS * 1e-3, rule=rule)
    return field, -POLARISATION / MU0 * volume(disc) * slope / G * 1e3


def stray(diameter: float, height: float) -> np.ndarray:
    """Field (T) on the axis at BELOW (mm) under the magnet's lower face."""
    return on_axis(magnet(diameter, height), -(BELOW + height) * 1e-3)[0]


def gap_curves() -> Picture:
    """Three panels over the same four magnets."""
    p = Picture(1180, 520, "Field, pull and stray field of four reference magnets")
    p.text(
        30,
        32,
        f"Four NdFeB cylinders of {REMANENCE:g} T; disc of {s.SAMPLE_DIAMETER:g} x {s.SAMPLE_HEIGHT:g} mm, "
        f"J = {POLARISATION:g} T",
        size=15,
    )
    gaps = [1, 2, 5, 10, 20, 40]
    field = Axes(p, (70, 90, 300, 340), gaps, [5, 10, 20, 50, 100, 200, 500])
    pull = Axes(p, (450, 90, 300, 340), gaps, [0.1, 1, 10, 100, 1000])
    below = Axes(p, (830, 90, 300, 340), [30, 50, 100, 200, 300], [0.01, 0.1, 1, 10, 100])
    for x, words in (
        (70, "mean field in the disc, mT"),
        (450, "pull, g on the balance"),
        (830, "field under the magnet, mT"),
    ):
        p.text(x, 76, words)
    for x, words in ((220, "gap, mm"), (600, "gap, mm"), (980, "distance under its lower face, mm")):
        p.text(x, 466, words, "middle")
    for i, (diameter, height, colour) in enumerate(MAGNETS):
        B, grams = field_and_pull(diameter, height)
        field.curve(GAPS, B * 1e3, colour)
        pull.curve(GAPS, grams, colour)
        below.curve(BELOW, stray(diameter, height) * 1e3, colour)
        x = 70 + 220 * i
        p.line([(x, 494), (x + 30, 494)], colour=colour, width=3)
        p.text(x + 38, 499, f"{diameter:g} x {height:g} mm")
    below.level(0.05, "the earth's field")
    p.text(980, 499, "computed, not measured", size=12, colour=FAINT)
    return p
