"""The numbers by which readings become passages and branches: all chosen by hand, none ever scanned.

| group | where it comes from | the script that checks it again |
| --- | --- | --- |
| passages | a lift sets to 0.01 mm and a person notes to as much; a step back is small, a passage is not | `tests/analysis/forces/test_branches.py` |
| zeros | below it the scatter of pairs says less than the balance's own digit | `tests/analysis/forces/test_branches.py` |
| a zero that is followed | wide beside what balances do: the readings decide | `tests.benchmarks.hands_off` |
| far readings | hard ferrites and sintered magnets in their own field; where the fit begins | `tests.benchmarks.hands_off` |
| rows of one gap | what of a sample is not turned over, its temperature | `tests.benchmarks.hands_off` |
"""  # noqa: E501

from __future__ import annotations

import numpy as np

# -- passages -----------------------------------------------------------------------------------------

SAME_GAP = 2e-6  # m; two gaps closer than this are the same gap
#: A passage that comes back to this part of the strongest field, after one that fell below the other
#: part of it, is a passage of its own and no step back.
NEAR, FAR = 0.8, 0.5
#: Readings in no more than this part of the strongest field, with an orientation of their own, were taken at
#: the far end for the balance's zero, and are no passage.
AWAY = 0.2
WHOLE = (
    0.97  # a branch is whole when it runs from this part of the strongest field to as much on the other side
)

# -- zeros --------------------------------------------------------------------------------------------

ENOUGH_PAIRS = 6  # of zeros before their scatter is taken as evidence of the balance's repeatability

# -- a zero that is followed --------------------------------------------------------------------------

#: What a level and a steady drift may be before a zero is read, standard deviations, kg and kg/s: 1 g, and
#: 100 mg an hour (a balance warming up; common practice, no source).
LEVEL, DRIFT = 1e-3, 100e-6 / 3600.0
#: Wanderings thought of, over a minute and by the uncertainty of a zero, and how likely each is beforehand:
#: normal in the logarithm about a half, by a factor of four.
WANDERS = 2.0 ** np.arange(-6.0, 6.1, 0.5)
USUAL_WANDER, WANDER_FACTOR = 0.5, 4.0
PER_READING = 16.0  # s; where no times are noted
FEWEST_ROWS = 4  # by pair of zeros: with fewer each row goes by its own zeros
#: A part of the zero's uncertainty that is nowhere more than this part of a reading's counts as that.
LEAST_MODE = 0.3
ZERO_NODES = 300  # times that the zero is worked out at: between them it goes on in a line

# -- far readings -------------------------------------------------------------------------------------

FAR_FIELD = 3.0  # far readings are those in fields of up to this many times the weakest
#: Turned over, M goes on as it does in the loop: of the far rows inward only those in the weakest field.
TURNED_FIELD = 1.1
REVERSIBLE, U_REVERSIBLE = 0.07, 0.07  # change of M by the field applied, and its standard deviation
HANDS = 10e-6  # kg; what hands at the sample may do to the zero: a draught, a touch of the riser
WORTHLESS = 50e-6  # kg; a zero known to no better than this is none
FEWEST_OUTWARD = 3  # readings on the way out that tell a zero

# -- rows of one gap ----------------------------------------------------------------------------------

#: By which part of the force two rows of one gap and opposite orientation differ besides the zero, each by
#: itself and all alike.
MIRRORED_EACH, MIRRORED_ALIKE = 2e-3, 3e-3
