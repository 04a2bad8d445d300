"""Every number between a reading and a level that was chosen, in one place, and where each group comes from.

| group | where it comes from | the script that checks it again |
| --- | --- | --- |
| damaged lines | bytes changed on the way; a pull that steps by more is the lift | `tests/system/faults/test_damaged_lines.py` |
| decimation and patience | breathing and settling are slower than a tenth of a second; patience by hand, never scanned | `tests.benchmarks.speed.lines`, `tests.benchmarks.faults.month` |
| does the balance answer | balances that answer plausibly and wrongly, written from their pages alone | `tests.benchmarks.faults.attacks` |
| a second look | levels taken while somebody leaned on the table | `tests/daemon/acquisition/test_second_look.py` |
| standing still | chosen by hand, never scanned | `tests/daemon/acquisition/test_hands_free.py` |
| rest | a hand or the lift moves more than noise; the rest by hand, never scanned | `tests/daemon/acquisition/test_bench_noise.py` |
| taps | fingers of a simulated person, slow and quick, on balances with and without a filter | `tests/daemon/acquisition/test_tap_counter.py` |

Units: seconds by the clock, digits (the balance's resolution), parts of what is named.
"""  # noqa: E501

from __future__ import annotations

# -- damaged lines ------------------------------------------------------------------------------------

#: A leap: this many resolutions, or usual differences between two readings where those are larger.
LEAP, LEAP_USUAL = 30.0, 8.0
LEAP_BACK = 0.2  # back where it was before: to this share of the leap, if that is no leap by itself
MOST_DAMAGED = 2  # leaping readings in a row that may be damage; with a third one the balance really moves
DIFFERENCES = 16  # between readings, that say what is usual
OUT_OF_RANGE_IN_ROW = 2  # readings out of range before it is believed: one damaged line may look like it

# -- decimation and patience --------------------------------------------------------------------------

HEARD_PER_SECOND = 20.0  # readings the filter hears; faster ones are averaged in pairs, tens, ...
PATIENCE = 120.0  # s within which a reading must settle, or the run is held
FORGET = 60.0  # s; a filter that heard nothing for longer begins again

# -- does the balance answer --------------------------------------------------------------------------

#: A later answer than this (s) is refused: what reads it cannot be trusted to be of this gap.
LATEST = 2.0
#: How long a level must have been seen, s: while the balance's delay is not known, and beyond it once it is;
#: and by how many readings at least. After a person's word, which says less than a lift's, this number of
#: times as long.
UNKNOWN, BEYOND, LEAST, FEWEST_SEEN, BY_HAND = 2.2, 0.7, 1.5, 9, 2.0
WAIT = 8.0  # s for an answer that should be seen and is not
SURE_U, SURE_DIGITS = 4.0, 2.0  # standard uncertainties and digits beyond which a level is another one
SHOWS = 2.0  # times that beyond which a change vouches for the readings before it
#: A change must be seen where the least it can be is this many times that; a delay is learnt from more.
SEEN, CLEAR = 5.0, 20.0
#: A stretch without a changed digit is waited out, and taken for a dead display below that probability, which
#: takes DEAD_AFTER s at least. A bench "always had noise" after ALWAYS levels with some.
IMPOSSIBLE, DEAD_AFTER, ALWAYS = 1e-9, 10.0, 4
#: The level stepped without a move: digits and standard uncertainties, and how long it stands since, s.
STEP_DIGITS, STEP_U, STEP_STANDS = 10.0, 8.0, 10.0
#: The mean square of the lesser two thirds of normal numbers, by that of all; s that the noise is taken over.
LESSER_TWO_THIRDS, NOISE_SPAN = 0.275, 6.0
DELAYS_KEPT = 5  # the largest of the last ones counts

# -- a second look ------------------------------------------------------------------------------------

LATELY = 20.0  # s; a disturbance longer ago no longer speaks against a level
PAUSE = 15.0  # s before the level counts: what leans on the table has mostly left by then
UNEXPECTED = 4.0  # standard uncertainties of level and prediction together

# -- standing still -----------------------------------------------------------------------------------

#: Readings stand still when those of the last STILL seconds, at least FEWEST of them, lie within the width.
STILL, FEWEST = 1.5, 4
AGAIN = 0.5  # s after which the level is reported again: what was set down may creep
#: The width is this many times the range the readings had while one was last accepted: breathing, draughts.
ROOM = 1.5

# -- rest ---------------------------------------------------------------------------------------------

HANDLED = 100.0  # digits; a larger change is a hand or the lift; people who lean on the table stay below
REST_GAP = 3.0  # s of silence that end a stretch
LONGEST_STRETCH = 600.0  # s; then it is closed, so that what is held stays small
STRETCHES_KEPT = 200  # until they are learnt from: hours, at a value a second
NOTES_READ = 20  # of the bench's noise, the latest: one of each balance and place is enough

# -- taps ---------------------------------------------------------------------------------------------

#: A tap presses with more than this part of the capacity: 11 g on a balance of 220 g. What is lighter than
#: LIGHT of that is no press at all; what lies between is not sure.
PRESS, LIGHT = 0.05, 0.25
SAME_SHARE, SAME_DIGITS = 0.02, 20.0  # of a press, or digits, within which the reading stands where it stood
#: The reading stands still for CALM before the first tap and after the last; a filter in the balance draws
#: the first rise out by EDGE. A press lasts no longer than LONGEST_PRESS, a pause between two no longer than
#: BETWEEN_TAPS: a longer one has ended the row, or was before it. All s.
CALM, EDGE, LONGEST_PRESS, BETWEEN_TAPS = 0.7, 0.6, 2.0, 1.4
#: Back at rest, the reading may swing for longer than CALM by the first; readings farther apart than the
#: second miss a tap. s.
SWINGS, TAP_GAP = 2.0, 1.0
#: Where the reading falls below the first part of the lighter of two peaks they are two presses, and one if
#: it stays above the second.
TWO, ONE = 0.5, 0.8
MOST_TAPS = 10  # nobody taps more often: what goes on for longer is something else
