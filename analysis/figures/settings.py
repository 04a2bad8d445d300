"""Every number of the figures and their uncertainty that was chosen, and where each group comes from.

| group | where it comes from | the script that checks it again |
| --- | --- | --- |
| own errors of a reading | a rectangle 0.01 mm wide: common practice, no source; half of a spacer: by hand, never scanned | `tests.benchmarks.coverage` |
| what any model is off by | the even half of seeds, until the intervals held the truth of strange samples | `tests.benchmarks.adversary` |
| what is reported | chosen by hand, never scanned | `tests.benchmarks.coverage` |
| taken off for every change | at the knee, and where nothing is left of the sample's hold | `tests.benchmarks.adversary` |
| trials | chosen by hand: a trial is a loop; the ends of intervals to two digits | `tests.benchmarks.speed.figures_speed` |

Units: parts of what is named unless said otherwise. The coverage of 95 % is JCGM 101's usual one, no choice.
"""  # noqa: E501

from __future__ import annotations

import numpy as np

# -- own errors of a reading --------------------------------------------------------------------------

#: Repeatability of a gap that is set again, m, standard uncertainty: noted to 0.01 mm, or a lift's.
U_GAP = 0.01e-3 / np.sqrt(12.0)
#: Part of the stated uncertainty of a spacer that differs from one to the next, besides the whole of it that
#: all have in common: the stack's error is then the batch's, as it should be.
OWN_OF_SPACER = 0.5

# -- what any model is off by -------------------------------------------------------------------------

#: The least of what any model is off by in the forces, by what a fit doubts (``MODEL_DOUBT``): what goes
#: evenly along a branch, as of an uneven density, the fit takes for the curve, and no misfit tells of it.
UNTOLD = 0.5
#: The own field's unevenness beyond what the cells know, by the sample's largest own field.
OWN_FIELD = 0.015
#: A sample that is taken off stands in its own field -N Mr. By how much M falls from internal field zero to
#: this many times that field, and which part of it it may have lost besides; with more than that much it has
#: lost what cannot be determined.
BEYOND, LOST_OF_FALL, MOST_FALL = 1.25, 0.3, 0.08
#: How far a knee between two readings may be drawn from where it is, by the distance of their fields.
BETWEEN = 1 / 3

# -- what is reported ---------------------------------------------------------------------------------

MISSING = 0.05  # a figure that is missing in more than this part of the trials is not determined
#: A figure whose standard uncertainty is more than this part of it is not reported: what is read of so
#: vague a loop may be anything.
VAGUE = 0.25
#: These by something else, which chance hardly moves: by their own values those that chance made large would
#: be reported and no others.
VAGUE_BY = {
    "switching_field_width": "HcJ",
    "knee_squareness": "HcJ",
    "knee_field_Hk_A_per_m": "HcJ",
    "recoil_permeability": "μ0",
}
HOLE = 2  # neighbouring rows set aside that leave a hole

# -- taken off for every change -----------------------------------------------------------------------

#: Own field N Mr by HcJ above which a sample that was taken off for every change of spacers has lost
#: magnetisation, and above which even its coercivity may be a minor loop's.
LOSES, LOST = 0.7, 1.5
LOST_WIDTH = 0.03  # of its loop's width, by which such a sample's recoil lines are off from it

# -- trials -------------------------------------------------------------------------------------------

BATCH = 1000  # of the adaptive procedure; shorter than the standard's 10^4
BAND_TRIALS = 400  # of the drawn bands, whose edges need no second digit
