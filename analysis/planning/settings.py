"""Every number of the gap ladder that was chosen, in one place, and where each group comes from.

| group | where it comes from | the script that checks it again |
| --- | --- | --- |
| an unknown sample | middling sintered ferrite; vendors' tables of Y30 to Y35 (common practice) | none: nothing measured rests on it |
| the magnet's weight | common practice, no source | none: a magnet that is weighed needs it not |
| expected times | settling: the median over 26 classes of bench; the lift's as its protocol page has them; hands: chosen by hand | `tests.benchmarks.speed.lift_time`, `tests.benchmarks.settling` |
| far heights | pulls there differ about twofold from one end to the other, and M hardly | `tests/analysis/planning/test_passages.py` |
| how many readings | fewer lose the test of fit: true errors grow and u does not follow | `tests.benchmarks.few_readings` |
| learning | samples drawn soft to hard, steep and broad | `tests.benchmarks.few_readings` |
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

#: What a step takes apart from the way and from waiting, and the wait for an accepted reading, s.
SECONDS_TO_MOVE = {"lift": 0.5, "spacers": 48.0}
SECONDS_TO_SETTLE = 3.5
SECONDS_A_METRE = 250.0  # of the lift's way
SECONDS_TO_HOME = 25.0  # at the start of a lift's run
#: By hand, and by a turner with the homing before it.
SECONDS_TO_TURN, SECONDS_OF_TURNER = 60.0, 10.0

# -- far heights --------------------------------------------------------------------------------------

#: Those a passage out reads where there is no turner, by the farthest.
FAR_HEIGHTS = (0.8, 0.87, 0.93, 1.0)

# -- how many readings --------------------------------------------------------------------------------

#: Sparse plans that are tried, by the readings on the way in after the turn.
COUNTS = (16, 18, 21, 25, 30, 40)
ENOUGH = 1 / 3  # more readings cannot help where the random part is at most this part of the shared one
#: Readings of a passage by those of the one where the sample turns over, and the fewest.
SHARES = (0.0, 0.6, 1.0, 0.25)
LEAST_BY_PASSAGE = (2, 6, 8, 4)
CLOSING = 4  # closest gaps of the last passage: whether the branches have met is seen at 5/6 of the field
#: What bends counts this much beside the field that is passed, and bends are looked for by these steps.
BENDS, BEND_STEPS = 0.6, 31
FAR_FIELD = 0.05  # the passages' far end, by the largest field
#: A gap set again gives the same pull to this part of what saturation makes there: a reading needs to be no
#: better (``inversion.settings.MODEL_SPREAD``).
REPEATABILITY = 3e-4

# -- learning -----------------------------------------------------------------------------------------

#: Loops that are thought possible: coercivities (A/m), each with widths by it, and how far off the family is
#: of a sample, by the largest M.
COERCIVITIES, WIDTHS, FAMILY_OFF = (12e3, 400e3, 48), (0.04, 1.0, 10), 0.03
SURPRISE = 0.06  # a reading farther off what was expected, by the largest M, asks for one more
MOST_MORE = 1.6  # a steep sample gets at most this many times the readings of a middling one on a passage

#: Branches this far apart, by M, where the field is still that part of the largest: then as many of the
#: closest gaps are read on both.
NEARLY_MET, NEAR_TOP, MORE_CLOSING = (0.005, 0.05), 0.8, 9

# -- a coil -------------------------------------------------------------------------------------------

AMPERE_TURNS = 14.0  # where no current is stated
COIL_REACH = 0.08  # of the largest pull: farther out the coil says little
CHECK_HEIGHT = 2e-3  # m, of a calibration's check by one gap
SCAN_HEIGHTS = 12  # among which the one is chosen where a coil is moved sideways
WEAK_COIL = 30.0  # digits of the balance; a weaker pull is worth a word
#: Heat in the winding, W: above the first its area and the air move, above the second it burns.
WARM_COIL, HOT_COIL = 25e-3, 100e-3
