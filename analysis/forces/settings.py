"""The numbers by which readings become passages and branches: all chosen by hand, none ever scanned.

| group | where it comes from | the script that checks it again |
| --- | --- | --- |
| passages | a lift sets to 0.01 mm and a person notes to as much; a step back is small, a passage is not | `tests/analysis/forces/test_branches.py` |
| zeros | below it the scatter of pairs says less than the balance's own digit | `tests/analysis/forces/test_branches.py` |
"""  # noqa: E501

from __future__ import annotations

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
