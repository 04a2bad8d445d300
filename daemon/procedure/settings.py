"""Every number of the procedure that was chosen, in one place, and where each group comes from.

| group | where it comes from | the script that checks it again |
| --- | --- | --- |
| places | half a full step of a usual motor, 0.01 mm: common practice, no source | `tests/daemon/procedure/test_prediction.py` |
| the lift | a motor loses four full steps at a time, 0.04 mm; how often: by hand, never scanned | `tests.benchmarks.faults.lift_turns`, `tests.benchmarks.faults.month` |
| holds | breathing and draughts change in minutes | `tests.benchmarks.faults.nights`, `tests.benchmarks.faults.month` |
| hands | runs of a simulated person on the twin, with and without each mistake | `tests/daemon/acquisition/test_hands_free.py` |
| is a reading of this gap | balances and lifts that answer plausibly and wrongly | `tests.benchmarks.faults.attacks` |
| is the count right | one spacer changes the pull by a tenth at the far end, by a third near the magnet | `tests/daemon/procedure/test_plausibility.py` |
| the coil's current | chosen by hand: the bench file knows the pull to a tenth | `tests/daemon/procedure/test_coil_run.py` |
| drift | chosen by hand, never scanned: of some tens of pairs one may differ by three sigma | `tests/daemon/procedure/test_drift.py` |
| single steps | chosen by hand: a run is sent whole to every client | none |
| planned again | chosen by hand, never scanned: the words only | `tests.benchmarks.few_readings` |

Units: parts of what is named unless said otherwise.
"""  # noqa: E501

from __future__ import annotations

# -- places -------------------------------------------------------------------------------------------

SAME_PLACE = 5e-6  # m; heights or gaps closer than this are the same place

# -- the lift -----------------------------------------------------------------------------------------

LIFT_TRIES = 3  # times in a row a lift may lose its position before a person is asked for
#: Times in a run, until a person lets it go on, that a branch is begun again because the lift was reset.
MOST_RESETS = 4
LOST_TOLERATED = 1.5e-5  # m; homing finds its switch again to some micrometres

# -- holds --------------------------------------------------------------------------------------------

TRY_AGAIN = 600.0  # s after which a run held for what may pass by itself tries again
FIRST_AGAIN = 60.0  # s, the first time in a row, of an unattended run; doubled each time up to that

# -- hands --------------------------------------------------------------------------------------------

#: A change counts above this many digits of the balance and this many times the uncertainty aimed at.
LEAST_DIGITS, LEAST_SIGMAS = 10.0, 5.0
BACK = 0.002  # the zero is back within this part of the pull that went, or within the least change
SPACER = 0.3  # spacers show by their mass to within this part of one
#: Weighed at this gap two passages before, the pull comes back to within this part of itself (or of the one
#: on the way out, where it passes through zero) and half the least change. Where only the plan predicts it,
#: within the next two factors: it knows nothing of the sample. Turned over, the sample is magnetised no more
#: than on the way out: its pull is at most the last part of that.
LOOP_SHARE, PLAN_LEAST, PLAN_MOST, MOST_TURNED = 0.05, 0.2, 4.0, 1.2
SAME_PULL = 0.03  # with another number of spacers the pull changes by more than this part of itself
ZERO_DIGITS = 3.0  # digits within which a balance that was re-zeroed shows zero

# -- is a reading of this gap -------------------------------------------------------------------------

#: How well a passage repeats the one of two passages before, and how well a branch follows the plan at best.
PAIR, BRANCH = 0.02, 0.05
#: The least share of what the geometry alone would change that a change of the gap must show, by the last
#: pull and, where that nearly vanishes, by the largest ratio of pull to plan so far.
BY_THE_PULL, BY_THE_PLAN = 0.3, 0.05
#: A pull read again at the same place and from the same history agrees within this share, with a lift and
#: with spacers, which are placed again, and within this many standard uncertainties.
SAME_BALANCE = {"lift": 0.005, "spacers": 0.01}
SAME_U = 5.0
#: A zero comes back within this many digits (a balance that was without power warms up), or is none at all;
#: the noise of single readings within this factor of all there was, where there were that many readings.
ZERO_BACK_DIGITS, NOISE_FACTOR, NOISES = 50.0, 3.0, 4
#: With a lift a pull's share of what saturation would make may go backward along a branch by this part of
#: itself (the plan's field is not quite the bench's), its pair may be off by this part of the largest and of
#: the step beside it (a warmer sample turns earlier), each by this many standard uncertainties more, and by
#: what a zero drifts, in parts of the largest pull.
OFF_BRANCH, OFF_PAIR, OFF_STEP, OFF_U, OFF_ZERO = 0.05, 0.05, 0.25, 5.0, 0.002
CANCELS = 0.5  # a saturated pull of less than this part of one farther out: the layers' pulls cancel
#: A pull that kept its sign when the sample was turned, and this part of its size, speaks against the turn.
KEPT_SIGN = 0.5

#: A zero with the sample off differs from the reading with it on by the pull, where that is this many least
#: changes.
STILL_ON = 2.0

# -- is the count right -------------------------------------------------------------------------------

#: A count is doubted when the pull is off its prediction by the share OFF and within half of it of another
#: count's, over no more than WIDEST spacers, on a leg whose last pulls changed their ratio to the plan by
#: less than STEADY. What was weighed two passages before predicts it better: then OFF_THE_LOOP is enough.
OFF, OFF_THE_LOOP, STEADY, WIDEST = 0.2, 0.08, 0.08, 4

# -- the coil's current ------------------------------------------------------------------------------

CURRENT_OFF = 0.2  # a meter's current is within this part of the one asked for
#: A change of the reading at one gap by less than this part of what the change of current should make, or by
#: more than that many times it, speaks against the current.
CURRENT_UNSEEN, CURRENT_TOO_MUCH = 0.5, 2.0

# -- drift --------------------------------------------------------------------------------------------

WORTH_A_WORD = 4.0  # standard uncertainties by which legs that mirror each other differ

# -- single steps -------------------------------------------------------------------------------------

MOST_STEPS = 2000  # after these another run is begun

# -- planned again ------------------------------------------------------------------------------------

LAST_DECIDED = 3  # the last passage whose readings are chosen on the way: where the branches all but meet
STEEP = 0.7  # readings closer together in field than this part of the usual lie where the loop bends
