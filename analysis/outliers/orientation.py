"""Turn-overs that were missed or noted wrongly, seen from the sign of the force."""

from __future__ import annotations

import numpy as np

from ..errors import Finding, about_rows
from ..forces.branches import Arrangement
from .physical_limits import jumps
from .settings import STRONG, SURE
from .table import Table


def turns(table: Table) -> Table:
    """Check the sign across every turn-over: M cannot jump while the field hardly changes."""
    arranged, limits = table.arranged, table.limits
    points, H, M = arranged.points, arranged.H, arranged.M
    aside: dict[int, str] = {}
    warnings: list[Finding] = []
    far: tuple[int, float] | None = (
        None  # the far end of the last way out, and +-1: the sign it is taken with
    )
    orientation, doubted = 0, False
    for passage in arranged.passages:
        rows = [int(i) for i in passage.rows if points.used[i]]
        if not rows:
            continue
        if not passage.inward:
            if doubted:
                # The way out shares the doubt of the way in: one warning names both.
                aside |= dict.fromkeys(rows, "its passage inward has the wrong sign")
                before = warnings.pop()
                text = before.text.split(": ", 1)[1]
                warnings.append(about_rows(before.code, (*before.rows, *points.row[rows]), text))
            far = (rows[-1], -1.0 if doubted else 1.0)
            orientation = -passage.orientation if doubted else passage.orientation
            continue
        doubted = False
        if far is None:
            continue
        first, (last, sign) = rows[0], far
        if jumps(arranged, limits, last, first, sign) and abs(M[first] + sign * M[last]) < abs(
            M[first] - sign * M[last]
        ):
            doubted = True
            noted = "noted" if passage.orientation != orientation else "noted as not turned over,"
            why = "the sign of the force says the orientation noted is wrong, or a turn-over was missed"
            text = (
                f"{noted} {passage.orientation:+d}, but the sign of the force says "
                f"{-passage.orientation:+d}: a turn-over was missed or noted wrongly"
            )
        elif passage.orientation == orientation and abs(H[first]) < _far_field(arranged):
            why = "went in again without a turn-over: on a minor loop"
            text = "went in again with no turn-over since the way out: a turn-over was missed"
        else:
            continue
        aside |= dict.fromkeys(rows, why)
        warnings.append(about_rows("orientation-suspect", points.row[rows], f"{text}; set aside"))
    return table.set_aside(aside, warnings)


def _far_field(arranged: Arrangement) -> float:
    """Half the run's strongest field: a passage inward that starts below it comes from the far end."""
    return 0.5 * float(np.abs(arranged.H[arranged.points.used]).max())


def attraction(table: Table) -> Table:
    """At its strongest field a sample is attracted; pushed off with either orientation, it is the sign
    of the bench file that is wrong, and with it every row."""
    arranged = table.arranged
    points = arranged.points
    signs: dict[int, list[bool]] = {}
    for passage in arranged.passages:
        rows = passage.rows[points.used[passage.rows]]
        if len(rows):
            strength = np.abs(arranged.H[rows])
            near = rows[strength >= STRONG * strength.max()]
            # Over a ring the pull vanishes where the field is strongest: the clearest of the rows there.
            i = near[np.argmax(np.abs(points.force[near]))]
            clear = abs(points.force[i]) > SURE * points.u_force[i]
            pushed = clear and arranged.M[i] * arranged.H[i] < 0
            signs.setdefault(passage.orientation, []).append(bool(pushed))
    # One row noted wrongly must not decide: most passages of either orientation.
    if len(signs) < 2 or any(2 * sum(each) <= len(each) for each in signs.values()):
        return table
    text = (
        "the sample is pushed off in the strongest field with either orientation, which no magnet does: "
        "attraction in the bench file ([balance] attraction) looks the wrong way round; no row is used"
    )
    rows = np.flatnonzero(points.used)
    aside = dict.fromkeys(rows.tolist(), "attraction in the bench file looks the wrong way round")
    return table.set_aside(aside, [about_rows("attraction-suspect", points.row[rows], text)])
