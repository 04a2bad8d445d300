"""Every number of the gap ladder that was chosen, in one place, and where each group comes from.

| group | where it comes from | the script that checks it again |
| --- | --- | --- |
| an unknown sample | middling sintered ferrite; vendors' tables of Y30 to Y35 (common practice) | none: nothing measured rests on it |
| the magnet's weight | common practice, no source | none: a magnet that is weighed needs it not |
| expected times | chosen by hand from runs on the twin, never scanned; for a plan's total only | `weighloop demo` prints a run's own time |
| far heights | pulls there differ about twofold from one end to the other, and M hardly | `tests/analysis/planning/test_passages.py` |
| how many gaps | fewer than the first lose the test of fit: true errors grow and u does not follow | `tests.benchmarks.adversary` |
| a coil | simulated: 14 ampere-turns are 20 mW in the winding of `hardware_notes/coil.md`; a tenth of the pull at six gaps tells magnet, contact and scale apart | `tests.benchmarks.calibrated` |

SI units.
"""  # noqa: E501

from __future__ import annotations

# -- an unknown sample --------------------------------------------------------------------------------

#: Saturation assumed, A/m: hard ferrite of the better grades, Jr about 0.4 T.
HARD_FERRITE_SATURATION = 320e3
#: The assumed loop's coercivity (A/m) and remanence / saturation. They shape the spacing and the predicted
#: readings only.
ASSUMED_COERCIVITY, ASSUMED_SQUARENESS = 150e3, 0.95
DISTURBED = 0.1  # a turn that is expected to change the sample by more than this part of it is warned of

# -- the magnet's weight ------------------------------------------------------------------------------

MAGNET_DENSITY = 7500.0  # of sintered NdFeB, kg/m³

# -- expected times -----------------------------------------------------------------------------------

#: What a step takes apart from waiting, and the wait for an accepted reading, s.
SECONDS_TO_MOVE = {"lift": 4.0, "spacers": 40.0}
SECONDS_TO_SETTLE = 12.0
SECONDS_TO_TURN, SECONDS_OF_TURNER = 60.0, 8.0

# -- far heights --------------------------------------------------------------------------------------

#: Those a passage out reads where there is no turner, by the farthest.
FAR_HEIGHTS = (0.8, 0.87, 0.93, 1.0)

# -- how many gaps ------------------------------------------------------------------------------------

COUNTS = (10, 12, 14, 16, 20, 24, 30, 40)  # ladders that are tried
ENOUGH = 1 / 3  # more readings cannot help where the random part is at most this part of the shared one

# -- a coil -------------------------------------------------------------------------------------------

AMPERE_TURNS = 14.0  # where no current is stated
COIL_REACH = 0.08  # of the largest pull: farther out the coil says little
CHECK_HEIGHT = 2e-3  # m, of a calibration's check by one gap
WEAK_COIL = 30.0  # digits of the balance; a weaker pull is worth a word
#: Heat in the winding, W: above the first its area and the air move, above the second it burns.
WARM_COIL, HOT_COIL = 25e-3, 100e-3
