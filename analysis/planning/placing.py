"""Where on the ladder readings are taken: the heights that can be set, and which of them."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from ..constants import MU0
from ..errors import NotPossible
from ..magnetostatics.demagnetising_factor import demagnetising_factor
from ..magnetostatics.quadrature import Layers, layers
from ..records.arrays import Floats, Indices
from ..records.bench import Bench
from .assumed_loop import AssumedLoop
from .settings import BEND_STEPS, BENDS, CLOSING, FAR_FIELD, LEAST_BY_PASSAGE, SHARES

#: The lift's heights are multiples of this, m.
LIFT_PITCH = 0.01e-3


def reachable(bench: Bench, warnings: list[str]) -> tuple[Floats, float]:
    """Heights (m) that can be set, rising, cut off where coming closer no longer strengthens the field."""
    if bench.gap.ladder == "spacers":
        if bench.gap.spacer is None or bench.gap.spacers is None:
            raise NotPossible("a ladder of spacers needs the spacers' thickness and number in the bench file")
        pitch, count = bench.gap.spacer.value, bench.gap.spacers
    else:
        pitch, count = LIFT_PITCH, int(bench.gap.travel / LIFT_PITCH + 1e-9)
    heights = np.arange(count + 1, dtype=np.float64) * pitch
    looked, at = look(bench, heights)
    strength = np.abs(at.Bz @ at.weights)
    # Walking in from the far end, where does the mean field stop growing?
    weaker = np.flatnonzero(np.diff(strength) >= 0)
    first = 0
    if len(weaker):
        first = int(np.searchsorted(heights, looked[weaker[-1] + 1]))
        contact = bench.gap.contact.value
        warnings.append(
            f"below a gap of {1e3 * (contact + heights[first]):.2f} mm coming closer weakens the mean field: "
            f"the ladder stops there, not at the contact gap of {1e3 * contact:.2f} mm; at that gap the "
            "pulls on the sample's layers nearly cancel, so the reading says little about M"
        )
        at = Layers(at.Bz[weaker[-1] + 1 :], at.dBz[weaker[-1] + 1 :], at.weights)
    passed = np.max(np.abs(at.Bz), axis=0) > np.abs(at.Bz[0]) * (1 + 1e-9)
    share = float(at.weights[passed].sum())
    if share > 0.01:
        warnings.append(
            f"{share:.0%} of the sample meets its strongest field before the last step in: the layers have "
            "different histories, and only the finite-sample method takes that into account"
        )
    return heights[first:], pitch


def look(bench: Bench, heights: Floats, most: int = 300) -> tuple[Floats, Layers]:
    """At most ``most`` of the heights, closer together where the field is steep, and the layers there."""
    if len(heights) > most:
        pick = np.unique((np.linspace(0, 1, most) ** 2 * (len(heights) - 1)).astype(int))
        heights = heights[pick]
    return heights, layers(bench.reference_magnet, bench.sample, bench.gap.at_height(heights))


def evenly(bench: Bench, heights: Floats, points: int, assumed: AssumedLoop, steep: bool) -> Indices:
    """Indices of ``points`` heights, evenly spaced in internal field (and in M where ``steep``)."""
    looked, at = look(bench, heights)
    applied = np.abs(at.Bz @ at.weights) / MU0
    N = demagnetising_factor(bench.sample).axial
    way = np.zeros(len(looked))
    for sign in (1, -1):  # the way out, and the reversed way in
        M = assumed.at(sign * applied, N, "descending")
        way[1:] += np.cumsum(np.abs(np.diff(sign * applied - N * M))) / applied.max()
        if steep:
            way[1:] += np.cumsum(np.abs(np.diff(M))) / assumed.saturation
    wanted = np.interp(np.linspace(0, way[-1], min(points, len(heights))), way, looked)
    return _settable(wanted, heights)


def _settable(wanted: Floats, heights: Floats) -> Indices:
    """Indices of different heights next to the ``wanted`` ones (m, rising), as many as wanted."""
    pitch = heights[1] - heights[0] if len(heights) > 1 else 1.0
    index = np.rint((wanted - heights[0]) / pitch).astype(np.int64)
    n = len(index)
    for i in range(n):  # push apart outward, keeping room for those to come
        index[i] = max(index[i], index[i - 1] + 1 if i else 0)
    room = len(heights) - n + np.arange(n)
    return np.minimum(index, room)


def for_fields(bench: Bench, heights: Floats, fields: Sequence[float], warnings: list[str]) -> Indices:
    """Indices of the heights whose mean applied field is next to the wanted ones (A/m, magnitudes)."""
    looked, at = look(bench, heights)
    applied = np.abs(at.Bz @ at.weights) / MU0
    wanted = np.abs(np.asarray(fields, float))
    outside = (wanted > applied[0] * 1.005) | (wanted < applied[-1] * 0.995)
    if outside.any():
        said = ", ".join(f"{H / 1e3:.4g}" for H in wanted[outside])
        reach = f"{applied[-1] / 1e3:.4g} to {applied[0] / 1e3:.4g} kA/m"
        if outside.all():
            raise NotPossible(f"no wanted field can be reached: {said} kA/m asked for, {reach} reachable")
        warnings.append(f"left out, as only {reach} can be reached: {said} kA/m")
    aim = np.interp(wanted[~outside], applied[::-1], looked[::-1])
    return np.unique(np.abs(heights[None, :] - aim[:, None]).argmin(axis=1))


def by_passage(
    bench: Bench, heights: Floats, points: int, assumed: AssumedLoop, *, outermost: int | None = None
) -> list[Indices]:
    """The numbers of each passage's heights, rising: ``points`` on the way in after the turn, where the
    sample turns over, and of the others what their ``SHARES`` say.

    Where a passage bends they lie closer (``bending``). All go out to where the field is ``FAR_FIELD`` of the
    largest, or to ``outermost``. The last one is the ascending branch's way out, which visits gaps of the
    descending one's, so that each of its readings has a counterpart.
    """
    counts = [max(n, round(share * points)) for share, n in zip(SHARES, LEAST_BY_PASSAGE, strict=True)]
    if outermost is None:
        outermost = far_end(bench, heights)
    if outermost < 1:
        raise NotPossible("fewer than 2 gaps are left: more spacers or a longer travel are needed")
    ends = 0, outermost
    out, back = (
        PassageLength.of(bench, heights[: outermost + 1], side, assumed).laid(ends, count)
        for side, count in ((1.0, counts[1]), (-1.0, counts[2]))
    )
    return [back[[0, -1]], out, back, closing(out, back, counts)]


def closing(out: Indices, back: Indices, counts: Sequence[int]) -> Indices:
    """The heights of the ascending branch's way out: the last of ``counts`` of the descending one's, and the
    ``CLOSING`` next to where the way in has just ended, by which it is decided whether the branches have met.
    """
    return np.union1d(back[: CLOSING + 1], some_of(out, counts[-1]))


def far_end(bench: Bench, heights: Floats) -> int:
    """The number of the height where the field is ``FAR_FIELD`` of the largest, or of the last one."""
    looked, at = look(bench, heights)
    strength = np.abs(at.Bz @ at.weights)
    weak = looked[strength <= FAR_FIELD * strength[0]]
    return int(np.searchsorted(heights, weak[0])) if len(weak) else len(heights) - 1


@dataclass(frozen=True, eq=False)
class PassageLength:
    """A passage of the descending branch over its ``heights`` (n,), m, rising: the ``bending`` way (m,) from
    the closest, at the heights ``at`` (m,)."""

    heights: Floats
    at: Floats
    way: Floats

    @classmethod
    def of(cls, bench: Bench, heights: Floats, side: float, loop: AssumedLoop) -> PassageLength:
        """On ``loop``: ``side`` +1 the way out, -1 the way in after the turn."""
        looked, at = look(bench, heights)
        applied = side * np.abs(at.Bz @ at.weights) / MU0
        N = demagnetising_factor(bench.sample).axial
        return cls(heights, looked, bending(applied, loop.at(applied, N, "descending")))

    @property
    def whole(self) -> float:
        """All of it."""
        return float(self.way[-1])

    def between(self, ends: tuple[int, int]) -> Floats:
        """The way (2,) at two heights by their numbers."""
        return np.interp(self.heights[list(ends)], self.at, self.way)

    def laid(self, ends: tuple[int, int], count: int) -> Indices:
        """The numbers of ``count`` heights, evenly by the way, from one of the ``ends`` to the other."""
        room = self.heights[ends[0] : ends[1] + 1]
        start, stop = self.between(ends)
        evenly_by = np.linspace(start, stop, min(count, len(room)))
        return ends[0] + np.unique(_settable(np.interp(evenly_by, self.way, self.at), room))

    def halved(self, laid: Indices, nearest: int) -> Indices:
        """``laid`` with one more height halfway on the step that begins at ``nearest``, one of its ends."""
        if len(laid) < 2:
            return laid
        pair = (int(laid[-2]), nearest) if nearest == laid[-1] else (nearest, int(laid[1]))
        return np.union1d(laid, self.laid(pair, 3))


def bending(H: Floats, M: Floats) -> Floats:
    """Length of the way along a branch (n,), by which readings are laid evenly: the field that is passed, and
    ``BENDS`` times the root of the curvature of M on it, which a smooth curve through readings far apart is
    off by. ``H`` (n,) goes one way; both count by their largest."""
    x, y = np.abs(H - H[0]) / np.abs(H).max(), M / max(float(np.abs(M).max()), 1e-300)
    even = np.linspace(0.0, x[-1], BEND_STEPS)  # M may come from a table, whose corners are no bends
    bend = np.abs(np.diff(np.interp(even, x, y), 2)) / (even[1] - even[0]) ** 2
    density = 1.0 + BENDS * np.sqrt(np.interp(x, even[1:-1], bend))
    return np.concatenate([[0.0], np.cumsum(0.5 * (density[1:] + density[:-1]) * np.diff(x))])


def some_of(chosen: Indices, count: int) -> Indices:
    """``count`` of the ``chosen``, with both ends, evenly by their number."""
    pick = np.linspace(0, len(chosen) - 1, min(count, len(chosen)))
    return chosen[np.unique(np.rint(pick).astype(int))]
