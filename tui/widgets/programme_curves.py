"""What a programme, or loops run together, gave as pictures: curves, marks, maps in units of their axes."""

from __future__ import annotations

import math
from collections.abc import Callable
from typing import Any

import numpy as np

from ..figure_words import name_of
from ..format import with_uncertainty
from .dot_sheet import SHADES
from .picture import Curve, Dot, Picture


def programme_pictures(result: Any) -> list[Picture]:
    """The pictures of an ``analysis.programmes`` result, what it was run for first."""
    return _PICTURES[result.gives](result.found)


def _recoil(found: Any) -> list[Picture]:
    family = found.curves
    ends = list(zip(family.H[:, 0] / 1e3, family.M[:, 0] / 1e3, strict=True))
    fan = [_curve(H[H <= 0.0], M[H <= 0.0]) for H, M in zip(family.H, family.M, strict=True)]
    against = -found.H_reverse / 1e3
    five = [(0.0, 5.0), (float(max(against, default=0.0)), 5.0)]
    return [
        Picture(
            "recoil curves",
            "M against internal field, both kA/m",
            "○ where each recoil curve leaves the branch",
            [*fan, (ends, "secondary")],
            [Dot(x, y, orientation=-1) for x, y in ends],
        ),
        Picture(
            "loss of flux",
            "loss of flux, %, against reverse field, kA/m",
            "● with 95 %; the line is at 5 %",
            [(five, "secondary")],
            _dots(against, 100.0 * found.loss, 100.0 * found.u_loss),
        ),
        Picture(
            "recoil permeability",
            "recoil permeability against reverse field, kA/m",
            "● with 95 %",
            dots=_dots(against, found.permeability, found.u_permeability),
            origin=(True, False),
        ),
    ]


def _remanence(found: Any) -> list[Picture]:
    H = found.H / 1e3
    return [
        Picture(
            "remanence",
            "remanence against field, both kA/m",
            "● acquired  ○ left after a reverse field",
            [_curve(found.H, found.acquired), _curve(found.H, found.left, "secondary")],
            [
                *_dots(H, found.acquired / 1e3, found.u_acquired / 1e3),
                *_dots(H, found.left / 1e3, found.u_left / 1e3, orientation=-1),
            ],
        ),
        Picture(
            "difference",
            "difference, parts of Mr, against field, kA/m",
            "● with 95 %; above 0 parts help one another",
            dots=_dots(H, found.difference, found.u_difference),
        ),
    ]


def _reversal(found: Any) -> list[Picture]:
    family, fields = found.curves, found.fields
    known = np.where(found.known, found.density, 0.0)
    most = float(known.max(initial=0.0))
    step = (fields[1] - fields[0]) / 1e3

    def shade(coercive: np.ndarray, interaction: np.ndarray) -> np.ndarray:
        places = [(interaction + way * coercive - fields[0] / 1e3) / step for way in (1.0, -1.0)]
        up, down = (np.rint(place).astype(int) for place in places)
        inside = (np.minimum(up, down) >= 0) & (np.maximum(up, down) < len(fields))
        up, down = (np.clip(place, 0, len(fields) - 1) for place in (up, down))
        return np.where(inside, known[up, down] / (most or 1.0), 0.0)

    up, down = np.meshgrid(fields / 1e3, fields / 1e3, indexing="ij")
    seen = found.known if found.known.any() else np.isfinite(found.density)
    reach = _reach((up - down)[seen] / 2.0, (up + down)[seen] / 2.0, step)
    return [
        Picture(
            "reversal curves",
            "M against internal field, both kA/m",
            f"{len(family.H)} curves, each from its reversal field",
            [_curve(H, M) for H, M in zip(family.H, family.M, strict=True)],
        ),
        Picture(
            "distribution",
            "interaction against coercive field, kA/m",
            f"{SHADES[0]} to {SHADES[-1]} density up to {most * 1e3:.2g} per kA/m; blank: not known",
            shade=shade,
            reach=reach,
        ),
    ]


def _reach(x: np.ndarray, y: np.ndarray, room: float) -> tuple[tuple[float, float], ...]:
    """The corners that take in all places, with room around them."""
    if not len(x):
        return ()
    ends = ((x.min() - room, y.min() - room), (x.max() + room, y.max() + room))
    return tuple((float(a), float(b)) for a, b in ends)


def _decay(found: Any) -> list[Picture]:
    t = np.geomspace(found.t[0], found.t[-1], 60)
    _, fit = found.change(t)
    return [
        Picture(
            "decay",
            "change of M, A/m, against time, s",
            f"line: −S ln t and a drift of the zero, which makes {100 * found.drift_part**2:.0f} % of u²(S)",
            [(list(zip(np.log10(t), fit, strict=True)), "secondary")],
            [Dot(float(a), float(b)) for a, b in zip(np.log10(found.t), found.M - found.M[0], strict=True)],
            origin=(False, True),
            decades=True,
        )
    ]


def _repeat(found: Any) -> list[Picture]:
    """Each figure that has a coefficient against temperature, with its line, and each against time."""
    warmth = found.degrees
    pictures: list[Picture] = []
    followed = {line.figure: line for line in found.repeatability}
    for c in found.coefficients:
        if c.figure in followed and np.isfinite(warmth).any():
            lines: list[Curve] = []
            said = f"{name_of(f'coefficient {c.figure}').symbol} not determined"
            if c.value is not None:
                T = np.linspace(np.nanmin(warmth), np.nanmax(warmth), 2)
                line = c.line(T) / name_of(c.figure).si[1]
                lines = [(list(zip(T, line, strict=True)), "secondary")]
                said = f"line: {said.split()[0]} = {with_uncertainty(100 * c.value, 100 * c.u)} %/K"
            pictures.append(_loop_by_loop(found, followed[c.figure], warmth, "temperature, °C", said, lines))
    hours = found.hours
    x, over = (hours, "time, h") if np.isfinite(hours).all() else (1.0 + np.arange(len(hours)), "loop")
    for line in found.repeatability:
        said = f"scatter {100 * line.scatter / abs(line.mean):.2g} %"
        pictures.append(_loop_by_loop(found, line, x, over, said))
    dots = _dots(x, warmth, np.zeros(len(warmth)))
    axes = f"temperature, °C, against {over}" if dots else "no loop noted its temperature"
    return [*pictures, Picture("temperature", axes, "● a loop", dots=dots, origin=(False, False))]


def _loop_by_loop(
    found: Any, line: Any, x: np.ndarray, over: str, said: str, lines: list[Curve] | None = None
) -> Picture:
    name = name_of(line.figure)
    unit, scale = name.si
    u = np.full(len(x), line.expected / scale)
    return Picture(
        f"{name.printed} against {over.partition(',')[0]}",
        f"{name.printed}, {unit}, against {over}",
        f"● a loop, with 95 % by its own readings  {said}",
        lines or [],
        _dots(x, found.column(line.figure) / scale, u),
        origin=(False, False),
    )


def _curve(H: np.ndarray, M: np.ndarray, colour: str = "primary") -> Curve:
    return list(zip(H / 1e3, M / 1e3, strict=True)), colour


def _dots(x: np.ndarray, y: np.ndarray, u: np.ndarray, orientation: int = 1) -> list[Dot]:
    return [
        Dot(float(a), float(b), float(c), orientation)
        for a, b, c in zip(x, y, u, strict=True)
        if math.isfinite(a) and math.isfinite(b) and math.isfinite(c)
    ]


_PICTURES: dict[str, Callable[[Any], list[Picture]]] = {
    "recoil": _recoil,
    "remanence": _remanence,
    "reversal": _reversal,
    "decay": _decay,
    "repeat": _repeat,
}
