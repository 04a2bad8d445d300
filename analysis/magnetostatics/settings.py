"""Every number of the field and its averages that was chosen, in one place, and where each group comes from.

| group | where it comes from | the script that checks it again |
| --- | --- | --- |
| what the models are off by | magnets of other kinds than the model's, and samples magnetised unevenly | `tests.benchmarks.adversary`, `tests.benchmarks.uneven_magnets` |
| nodes | twice as many change averages by less than what is named; the rest by hand, never scanned | `tests/analysis/magnetostatics/test_quadrature.py` |

Units: parts of what is named, or counts.
"""  # noqa: E501

from __future__ import annotations

# -- what the models are off by -----------------------------------------------------------------------

#: Relative standard uncertainty of the demagnetising factor: the magnetometric factor holds for an evenly
#: magnetised body, and on a branch ours is not. N of a disc 6 x 3 mm falls by 0.5 % from susceptibility 0
#: to 0.3 (computed with the tests' second model); a rectangle that wide.
U_DEMAGNETISING = 0.003
#: Relative standard uncertainty of a calibrated magnet's field where its gradient is known, beyond what the
#: calibration's own covariance leaves: the readings fix the gradient, and no magnet is quite two zones. So
#: large that of no kind of magnet tried (even seeds) the field is off by more than u (rms).
U_FIELD_MODEL = 0.0019
CORE = 0.6  # how far an uneven magnet's core reaches, by its radius, a ring's wall, a block's sides
#: How likely it is, before the readings are asked, that grains touch too little for any but their own
#: magnetisation to act on them; otherwise magnetostatics knows the shape's field.
LOCAL_LIKELIHOOD = 0.2

# -- nodes --------------------------------------------------------------------------------------------

SHRINK = 0.2  # each panel is this fraction of its neighbour farther from the edge
#: (levels of shrinking panels, nodes per panel), coarse to fine.
REFINEMENTS = (
    *((0, order) for order in (4, 5, 6, 8, 10, 12, 16, 20)),
    *((levels, 10) for levels in (1, 2, 3)),
    *((levels, 12) for levels in (4, 6, 8, 10)),
)
#: Refinement stops here; only a sample lying bare on edges it is not aligned with gets this far.
MOST_NODES = 100_000
GROUPED_NODES = 196  # more than this are taken together in groups
#: Fewest nodes per direction when the sample's magnetisation, not the field alone, is summed over the
#: nodes: M turns over a narrower range of field than the field itself varies.
LEAST_ORDER_OF_LAYERS = 8
#: Nodes along half a side of a block over a block at least, and directions in a quadrant of a round body
#: over one: the field of a block varies by parts in a thousand around the axis.
LEAST_ACROSS, DIRECTIONS = 4, 3
ROWS_AT_ONCE = 200  # whose own fields are solved at once: more take memory only
MOST_LAYERS, MOST_GROUPS = 12, 40  # of the body, and of nodes in all, whose means of M act on the others
BOXES = 8  # along each side of a block's quadrant
HEIGHT_NODES = 20  # of the distance of two circles' heights, to either side
WINDING_NODES = 6  # by direction of the winding's section: the pull to 1e-7 at 1 mm
TURN_NODES = 6  # over the squared radius of a turn off the axis; four times as many angles
