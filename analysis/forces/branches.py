"""Rows to branches, by the history of the field and not of the gap.

Over a ring coming closer can weaken the field, so passages are told apart by the mean field at the
sample. A step back on a branch leaves it: the rows on the minor loop are set aside, until the field
passes beyond the point where it turned back (return-point memory wipes the minor loop out).
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from ..constants import MU0
from ..errors import Finding, about_rows, rows_in_words
from ..magnetostatics import quadrature
from ..magnetostatics.reference_magnet import at_temperature
from ..records.arrays import Floats
from ..records.bench import Bench
from ..records.points import Branch, Points, ZeroModes
from ..records.readings import Readings
from . import force as weighing
from .far_zeros import far_zeros
from .passages import Passage, passages_of
from .settings import FAR_FIELD, SAME_GAP, WHOLE
from .zero_drift import ZeroStep
from .zeros import Zeros, bracket


@dataclass(frozen=True)
class Arrangement:
    """The rows of one run put in order: what was pulled, where, and what is wrong with it.

    ``H`` (n,) is the mean applied field with its sign, A/m; ``M`` (n,) the magnetisation by the mean
    method, A/m, good enough to look for slips; ``M_slope`` (n,) is dM per kg of reading.
    """

    points: Points
    zeros: Zeros
    H: Floats
    M: Floats
    M_slope: Floats
    passages: tuple[Passage, ...]
    #: Mass of one spacer, kg, where the bench file has it.
    spacer_mass: float | None = None
    warnings: tuple[Finding, ...] = field(default=())

    def chains(self) -> list[tuple[Branch, NDArray[np.int64]]]:
        """Each branch as it was walked: its name and the used rows in order, both ends included.

        The row of strongest field between two branches ends the one and starts the other, if it is used.
        """
        chains: list[tuple[Branch, list[int]]] = []
        for passage in self.passages:
            rows = [int(i) for i in passage.rows if self.points.used[i]]
            if not chains or chains[-1][0] != passage.branch or not passage.inward:
                if chains and rows and not passage.inward and rows[0] == passage.rows[0]:
                    chains[-1][1].append(rows[0])
                chains.append((passage.branch, []))
            chains[-1][1].extend(rows)
        return [(name, np.array(rows, np.int64)) for name, rows in chains if rows]

    def with_tip(self, passage: Passage) -> NDArray[np.int64]:
        """A passage's rows; of one inward also the row of strongest field, which starts the way out."""
        at = self.passages.index(passage)
        following = self.passages[at + 1] if at + 1 < len(self.passages) else None
        if not passage.inward or following is None or following.inward:
            return passage.rows
        return np.append(passage.rows, following.rows[0])

    def set_aside(self, rows: dict[int, str], warnings: list[Finding]) -> Arrangement:
        """The same with these rows (index: why) set aside; a row set aside before keeps its reason."""
        why = list(self.points.why_not)
        used = self.points.used.copy()
        for index, reason in rows.items():
            if used[index]:
                used[index], why[index] = False, reason
        points = replace(self.points, used=used, why_not=tuple(why))
        return replace(self, points=points, warnings=self.warnings + tuple(warnings))


def points(readings: Readings, bench: Bench) -> Points:
    """Forces by branch, the path checked; slips are looked for by ``outliers.screen``."""
    return arrange(readings, bench).points


def mean_path(readings: Readings, bench: Bench) -> tuple[Floats, Floats]:
    """Signed mean field (A/m) and mean gradient (T/m) at the sample, (n,), at each row's gap."""
    magnet = at_temperature(bench.reference_magnet, bench.site.temperature.value)
    # Many rows share a gap: the field is computed once for each.
    at = bench.gap.of_sample(readings.gap, readings.orientation)
    gaps, where = np.unique(at, return_inverse=True)
    Bz, dBz = quadrature.mean_field(magnet, bench.sample, gaps)
    return readings.orientation * Bz[where] / MU0, dBz[where]


def arrange(readings: Readings, bench: Bench) -> Arrangement:
    """Zeros, forces, field, passages and branches of ``readings``, with the path checked."""
    n = len(readings)
    H, gradient = mean_path(readings, bench)
    per_newton = -readings.orientation / (quadrature.volume(bench.sample) * gradient)
    M_slope = per_newton * weighing.force(np.ones(n), bench)
    used, placed, why, warnings = _plain_faults(readings, bench)
    isolated = _isolated_orientations(np.abs(H), readings.orientation, placed)
    if isolated:
        text = "the orientation changes in the middle of a passage and back: noted wrongly; set aside"
        warnings.append(about_rows("orientation-suspect", readings.row[isolated], text))
        for i in isolated:
            used[i] = placed[i] = False
            why[i] = why[i] or "the orientation changes here in the middle of a passage"

    passages = passages_of(H, readings.orientation, readings.gap, np.flatnonzero(placed))
    zeros = bracket(readings, bench, far_zeros(readings, bench, H, M_slope, passages))
    force, u_force, unknown = forces_of(zeros, bench)
    leg = np.zeros(n, np.int64)
    branch: list[Branch] = ["first"] * n
    known = np.zeros(n, bool)
    for number, passage in enumerate(passages):
        leg[passage.rows] = number
        known[passage.rows] = True
        for i in passage.rows:
            branch[i] = passage.branch
    # A row set aside is shown with the passage it was taken in.
    for i in range(n):
        if not known[i] and i > 0:
            leg[i], branch[i] = leg[i - 1], branch[i - 1]

    record = Points(
        row=readings.row,
        gap=readings.gap,
        spacers=readings.spacers,
        orientation=readings.orientation,
        force=force,
        u_force=u_force,
        temperature=readings.temperature,
        leg=leg,
        branch=tuple(branch),
        used=used,
        why_not=tuple(why),
        zero=unknown,
    )
    arranged = Arrangement(
        record,
        zeros,
        H,
        M_slope * zeros.change,
        M_slope,
        tuple(passages),
        bench.gap.spacer_mass,
        tuple(warnings),
    )
    return _check_path(arranged)


def forces_of(zeros: Zeros, bench: Bench) -> tuple[Floats, Floats, ZeroModes | None]:
    """Forces (N), what each reading's own part is known to, and what the zeros may be off by."""
    newton, track = weighing.force(1.0, bench), zeros.track
    own = zeros.u_change if track is None else zeros.u_reading
    unknown = None if track is None else ZeroModes(newton * track.unknown, track.begun)
    return newton * zeros.change, abs(newton) * own, unknown


def with_zero_steps(
    arranged: Arrangement, readings: Readings, bench: Bench, steps: tuple[ZeroStep, ...]
) -> Arrangement:
    """The same with the zero followed again, as one that jumped at ``steps`` besides."""
    track = arranged.zeros.track
    assert track is not None
    far = far_zeros(readings, bench, arranged.H, arranged.M_slope, arranged.passages)
    zeros = bracket(readings, bench, far, (*track.found, *steps))
    force, u_force, unknown = forces_of(zeros, bench)
    points = replace(arranged.points, force=force, u_force=u_force, zero=unknown)
    return replace(arranged, zeros=zeros, points=points, M=arranged.M_slope * zeros.change)


def _plain_faults(
    readings: Readings, bench: Bench
) -> tuple[NDArray[np.bool_], NDArray[np.bool_], list[str | None], list[Finding]]:
    """Rows that can be used, whatever the others say, rows that at least tell where the sample was (a
    reading lost to an overload lost no history), and why not."""
    placed = np.isfinite(readings.gap)
    why: list[str | None] = list(readings.set_aside)
    warnings: list[Finding] = []
    capacity = bench.balance.capacity
    over: list[int] = []
    uncounted: list[int] = []
    for i in range(len(readings)):
        if why[i] is not None:
            placed[i] = False
            continue
        if not (np.isfinite(readings.reading[i]) and np.isfinite(readings.gap[i])):
            why[i] = "no reading"
        elif abs(readings.reading[i]) >= capacity:
            why[i] = f"the reading is beyond the balance's capacity of {capacity * 1e3:g} g"
            over.append(i)
        elif bench.gap.spacers is not None and readings.spacers[i] > bench.gap.spacers:
            why[i] = f"{readings.spacers[i]:g} spacers noted, but there are {bench.gap.spacers}"
            placed[i] = False
            uncounted.append(i)
    if over:
        rows = tuple(int(readings.row[i]) for i in over)
        text = (
            f"{rows_in_words(rows)}: at or beyond the balance's capacity of {capacity * 1e3:g} g; set aside"
        )
        warnings.append(Finding("over-capacity", text, rows))
    if uncounted:
        text = f"more spacers noted than the {bench.gap.spacers} of the bench file; set aside"
        warnings.append(about_rows("gap-outlier", readings.row[uncounted], text))
    return np.array([reason is None for reason in why], bool), placed, why, warnings


def _isolated_orientations(
    strength: Floats, orientation: NDArray[np.int64], placed: NDArray[np.bool_]
) -> list[int]:
    """Rows whose orientation differs from the passage they lie in.

    A magnet is turned over where the path turns back. An orientation that changes where the field goes
    on the same way, and changes back so, was noted wrongly.
    """
    at = np.flatnonzero(placed)
    if len(at) < 5:
        return []
    going = np.sign(np.diff(strength[at]))
    changes = np.flatnonzero(np.diff(orientation[at]))
    found: list[int] = []
    for first, second in pairwise(changes):
        way = going[first : second + 1]  # from the row before to the row after
        if way[0] != 0 and np.all(way == way[0]) and second - first <= max(2, len(at) // 8):
            found += [int(i) for i in at[first + 1 : second + 1]]
    return found


def _check_path(arranged: Arrangement) -> Arrangement:
    """Set aside what stepped back, and one of two rows at one gap."""
    points, M = arranged.points, arranged.M
    s = np.abs(arranged.H)
    aside: dict[int, str] = {}
    back: list[int] = []
    weaker: list[int] = []
    twice: list[int] = []
    turned: list[int] = []
    for passage in arranged.passages:
        sign = 1.0 if passage.inward else -1.0
        furthest: int | None = None
        for position, i in enumerate(passage.rows.tolist()):
            if furthest is None:
                furthest = i
                continue
            if abs(points.gap[i] - points.gap[furthest]) < SAME_GAP:
                if not (points.used[i] and points.used[furthest]):
                    continue
                other = _odd_one(arranged, passage, position, furthest)
                kept = furthest if other == i else i
                if abs(M[i] + M[furthest]) < 0.3 * abs(M[i] - M[furthest]):
                    aside[other] = f"the force has the other sign at the same gap as row {points.row[kept]}"
                    turned.append(other)
                else:
                    aside[other] = f"the same gap as row {points.row[kept]}"
                    twice.append(other)
                furthest = kept
            elif sign * (s[i] - s[furthest]) <= 0:
                if not points.used[i]:
                    continue
                if sign * (points.gap[i] - points.gap[furthest]) < 0:
                    aside[i] = f"the field is weaker here than at the gap of row {points.row[furthest]}"
                    weaker.append(i)
                else:
                    way = "outward" if passage.inward else "inward"
                    aside[i] = f"stepped back {way} after row {points.row[furthest]}: on a minor loop"
                    back.append(i)
            else:
                furthest = i
    warnings: list[Finding] = []
    if back:
        text = (
            "the gap moved against the branch, so the sample is on a minor loop; set aside until the field "
            "passes beyond where it turned back"
        )
        warnings.append(about_rows("path-reversed", points.row[back], text))
    if weaker:
        text = (
            "coming closer weakened the mean field (as over a hole), and the sample is on a minor loop; "
            "set aside: let the ladder end at the gap of the strongest field"
        )
        warnings.append(about_rows("path-reversed", points.row[weaker], text))
    if twice:
        text = "one gap noted in two rows; the one that fits the rows around less well is set aside"
        warnings.append(about_rows("duplicate-gap", points.row[twice], text))
    if turned:
        text = "the gap of the row beside, but the force the other way: orientation noted wrongly; set aside"
        warnings.append(about_rows("orientation-suspect", points.row[turned], text))
    return arranged.set_aside(aside, warnings)


def _odd_one(arranged: Arrangement, passage: Passage, position: int, before: int) -> int:
    """Which of two rows at one gap, ``before`` and the one at ``position`` of the passage, fits the rows
    around less well; the second where both do alike."""
    points, H, M = arranged.points, arranged.H, arranged.M
    rows = passage.rows
    second = int(rows[position])
    u = np.abs(arranged.M_slope[[before, second]]) * arranged.zeros.u_change[[before, second]]
    if abs(M[before] - M[second]) < 6.0 * np.hypot(*u):
        return second
    here = points.gap[second]
    again = [
        i
        for other in arranged.passages
        if other.inward == passage.inward and other.orientation == -passage.orientation
        for i in arranged.with_tip(other).tolist()
        if other.branch != "first" and points.used[i] and abs(points.gap[i] - here) < SAME_GAP
    ]
    if again and passage.branch != "first":
        # A loop is symmetric: the other orientation shows the same with its sign changed.
        expected = -float(np.median(M[again]))
        return before if abs(M[before] - expected) > abs(M[second] - expected) else second
    around = [i for i in rows[points.used[rows]].tolist() if abs(points.gap[i] - here) > SAME_GAP]
    earlier = [i for i in around if i < before][-1:]
    later = [i for i in around if i > second][: 2 - len(earlier)]
    at = np.array(earlier + later, np.int64)
    if not len(at):
        return second
    order = at[np.argsort(H[at])]
    expected = np.interp(H[second], H[order], M[order])
    return before if abs(M[before] - expected) > abs(M[second] - expected) else second


def incomplete(arranged: Arrangement) -> list[Finding]:
    """What is missing for a closed loop, branch by branch, from the rows that are used."""
    points = arranged.points
    warnings: list[Finding] = []
    used = points.used
    if not used.any():
        return [Finding("branch-incomplete", "no row can be used")]
    strongest, weakest = float(np.abs(arranged.H[used]).max()), float(np.abs(arranged.H[used]).min())
    for name, sign in (("descending", 1), ("ascending", -1)):
        chains = [rows for chain, rows in arranged.chains() if chain == name]
        on = np.concatenate(chains) if chains else np.zeros(0, np.int64)
        along = sign * arranged.H[on]  # a descending branch runs from + to -, an ascending one from - to +
        if not len(on):
            text = f"the {name} branch was not measured: the loop is not closed"
        elif along.max() < WHOLE * strongest:
            text = f"the {name} branch does not start from the strongest field of the run"
        elif name == "ascending" and abs(along.min()) <= FAR_FIELD * weakest:
            continue  # its way out to the far end shows whether the loop closes
        elif along.min() > -WHOLE * strongest:
            reached = f"{abs(min(along.min(), 0.0)) / 1e3:.0f} kA/m"
            text = (
                f"the {name} branch ends at {reached} on the other side, short of {strongest / 1e3:.0f} kA/m"
            )
        else:
            continue
        warnings.append(Finding("branch-incomplete", text, tuple(int(row) for row in points.row[on[-1:]])))
    return warnings
