"""Every number of the settling filter in one place, and where each group comes from.

| group | where it comes from | the script that checks it again |
| --- | --- | --- |
| noise laws | the physics of a balance and of breathing at rest | `tests.benchmarks.settling` |
| not known beforehand | as wide as the benches of the classes need | the same |
| memories | a bench stays as it is for minutes, a breath for seconds | the same |
| numbers | single precision; the jitter of a serial line | `tests/analysis`, against linear algebra |
| changes of level | a reading that far off is no noise (normal law) | the benchmark's false acceptances |
| first look | how a balance answers a load | its class `begun moving` |
| waiting | a balance filter of 3 s, the reach of a hand | its class `filter of 3 s` |
| statement of u | true errors over stated ones | its column `rms/u`, all classes |
| past | the spectrum below breathing; steps that go back | the same with `--past` |
| restlessness | readings of a run at the onset of a draught, even seeds | `tests.benchmarks.draught_onset` |
| acceptance | false acceptances against time | its columns `false` and `/bound` |
| steadiness | breathing at rest: common practice, no source; the rest chosen by hand, never scanned | `tests/analysis/settling/test_steadiness.py` |

ACCURACY.md quotes seeds of the benchmark on which none of them was chosen.
Units: seconds, hertz, and the balance's resolution ("resolutions") unless said otherwise.
"""  # noqa: E501

from __future__ import annotations

# -- noise laws --------------------------------------------------------------------------------------

#: Correlation times of the slow noise (s); beyond the last it counts as drift.
SLOW_TIMES = (0.6, 2.4, 9.6)
#: Overtones of the breathing and the share of its amplitude each may have beforehand; kept small, or
#: breathing at half the frequency would explain as much.
OVERTONES = ((2, 0.25), (3, 0.1))
#: Creep after a change of load, as a sum of decays (s); it belongs to the level, not to the noise.
CREEP_TIMES = (2.0, 10.0)
#: Breathing at rest lies between about 0.15 and 0.5 Hz; the step is what one model can follow.
FREQUENCIES = tuple(0.15 * 1.22**k for k in range(7))
#: Fast noise: variance of the white part, of the filtered part, its time constant (s).
FASTS = ((1.0, 0.0, 0.1), (0.05, 1.0, 0.06), (0.05, 1.0, 0.12), (0.02, 1.0, 0.22))
#: Beside breathing the time constant matters less.
BREATH_FASTS = ((0.05, 1.0, 0.07), (0.02, 1.0, 0.18))
#: Slow noise: variance at each of SLOW_TIMES, and the logarithm of how likely it is beforehand.
#: Draughts are the stronger the slower they are.
SLOWS = (
    ((0.001, 0.001, 0.001), 0.0),
    ((0.03, 0.03, 0.03), -1.7),
    ((0.22, 0.25, 0.35), -1.5),
    ((1.8, 2.0, 2.8), -2.1),
)
#: What breathing leaves that its oscillator does not follow; it stands beside breathing only.
UNEVEN = (((2.0, 0.03, 0.03), -2.1),)
DRAUGHTY = 0.1  # variance of the slowest noise over the fast from which a model counts as one of draughts

# -- not known beforehand ----------------------------------------------------------------------------

LEVEL_PRIOR = 1e4  # each way
DRIFT_PRIOR = 0.5  # a second
DRIFT_WANDER, DRIFT_TIME = 0.02, 30.0  # a second, over that long
CREEP_PRIOR = 2.0  # each decay
SWING_WANDER, SWING_RATE_TIME = 0.1, 8.0  # of the breathing's rate, over that long
SWING_FLOOR = 0.25  # of the noise scale squared: a breath held comes back
SWING_TIME = 60.0
LOOSE = 0.1  # of the depth of late: what a breath held or released may be off by from one reading to the next
DEEPEST = 1.5  # of the depth of late: no breath is deeper than that all at once
QUANTISATION = 1 / 12  # variance of a rectangle one resolution wide
SCALE_PRIOR = 0.3  # noise scale
SCALE_FLOOR = 0.02 * QUANTISATION  # its square
SCALE_DOF = 4.0  # readings that what the first look says of the scale is worth

# -- memories ----------------------------------------------------------------------------------------

SCALE_TIME = 25.0  # s, of each model's noise scale
PRIOR_TIME = 5.0  # of what the first look said of it
WEIGHT_TIME = 150.0  # of the weights
DEPTH_TIME = 30.0  # of the depth: a breath held is released again
DEEPER_TIME = 4.0  # in which a deeper breath is believed: what goes further sooner is a change of load
LIVELY_TIME = 2.0  # of how much the readings scatter over what was predicted
RECALLED = 100.0  # readings, at most, that a memory counts for
MOST_RECALLED = 4.0  # logarithm of the weights: the bench stays, who breathes beside it may be another

# -- numbers ------------------------------------------------------------------------------------------

#: Variance over the noise from which a level counts as wholly unknown: a gain of one to five digits, and
#: still within the seven digits in which covariances are kept (half the memory is nearly half the time).
WIDEST = 1e5
LOST = 1e6 * WIDEST  # from where a model has lost its digits and begins again
TINY = 1e-12  # keeps a creep long dead from numbers that a processor is slow with
TICK = 1 / 256  # s: readings are put on this grid, finer than the jitter of a line
STEPS_KEPT = 64  # time steps whose effect is kept
RECENT = 64  # readings kept

# -- changes of level ---------------------------------------------------------------------------------

GATE = 4.5  # standard deviations: a reading further off than this is set aside
DOUBT = 2.5  # beyond this it counts less
FAR = 60.0  # standard deviations: two in a row that far off are a change
IN_A_ROW = 3  # set aside to one side that make a change
SUSPECTS = 6.0  # set aside of late, to either side, that make a change
CALM, CALM_READINGS = 0.46, 3  # s, and readings, that must agree before a new level is begun
TRANSIENT_TIME = 0.3  # s, what is left of a change dies at least this fast once the readings are calm

# -- first look ---------------------------------------------------------------------------------------

FIRST_LOOK = 1.0  # s of readings before anything is said
MOST_SWING = 60.0
#: The noise is not learnt while a change dies away: while the newer half of the first look spreads over less
#: than that share of the whole, which is more than a few digits, or goes one way by more than those; but not
#: longer than that (s).
SHRINKING, DYING, LONGEST_LOOK = 0.4, 4.0, 10.0
#: A second that spreads over less than that share of the first one, within that time (s), shows that the
#: first was not the bench but hands: begin again. Where the first spread no wider than a breath may, it must
#: stay flat for so long (s): rounded readings of a breath that turns are as flat for a second.
AGAIN, AGAIN_TIME, FLAT_TIME = 0.1, 30.0, 2.0

# -- waiting -----------------------------------------------------------------------------------------

STOPPED = 1.5  # s without the breathing that was reckoned with: longer than it turns
PATIENCE = 3.0  # s of movement after which the noise itself must have changed
#: ... but not while the reading goes one way (that share of its spread), as through a slow filter, for at
#: most that long (s)
ONE_WAY, LONGEST_FALL = 0.95, 15.0
MOST_GROWTH = 4.0  # of the noise variance in one go: the rest is learnt, breathing may explain it

# -- statement of u -----------------------------------------------------------------------------------

#: No breath is quite like the one before: this share of its depth is left in a level after one breath, more
#: after a part of one (a quarter at least counts as seen), less after several (as their square).
BREATH_LEFT, BREATHS_SEEN = 0.06, 0.25
#: A part of a breath passes for a change of level, and the breath then for a shallow one: it is reckoned with
#: as no shallower than this share of its depth of late.
DEPTH_SHARE = 0.7
#: A bench not known: true errors over the bank's standard deviations (it reckons with drift and creep that
#: most benches do not have). What models with draughts add to the variance weighs more while the level is
#: young (FIRST_TIME): slow noise looks like a level for a while.
TRUST, DRAUGHT_TRUST, DRAUGHT_AT_FIRST, FIRST_TIME = 0.45, 0.8, 2.5, 0.5
#: The slow noise of a bench watched for hardly more than WATCHED s is hardly known.
WATCHED = 14.0
#: A level taken for another a moment ago (s, and of its age) may not be found yet: a share of the difference.
REVISED, REVISED_TIME, REVISED_AGE = 1.0, 0.2, 0.2
#: Readings that scatter more than predicted of late: their mean square over the one predicted, to this
#: power, widens the variance.
LIVELY, MOST_LIVELY = 0.7, 3.0
#: What the reading moved by in a level's first CALM s is the last of a change that dies with a time which is
#: this share of how long the level must stand, an eighth of how long the change took (down to a few of some
#: thousand digits), or TRANSIENT_TIME. Noise alone would have moved it by NOISE_MOVES standard deviations.
LEFT_SHARE, NOISE_MOVES = 0.375, 2.0

# -- past --------------------------------------------------------------------------------------------

#: Edges (Hz) of the bands in which slow noise is kept; breathing lies above the last.
BANDS = (1 / 1000, 1 / 150, 1 / 45, 1 / 15)
SHORTEST = 40.0  # s, a stretch shorter than this says nothing of slow noise
ENOUGH = 240.0  # s of past from which it is used
KEPT = 6 * 3600.0  # s for which an earlier past counts at most: benches change
HANDS_OFF = 15.0  # s after a handling that belong to it and to its creep, not to the slow noise
SIDE = 6  # s, half of each of the means whose difference shows a jump: no breath is left in one
#: Standard deviations of such differences, while the bench is calm, that make a jump; the share of that by
#: which the levels before and after must differ.
JUMP, STEP = 7.0, 0.75
STEEPEST = 1.6  # of variance from one band to the next slower: 1/f noise
#: Drift and creep beforehand of a bench that is known: over what its past shows, and at least.
DRIFT_KNOWN, LEAST_DRIFT, LEAST_CREEP = 2.0, 0.05, 1.0
#: As TRUST, where drift, creep and slow noise beforehand are those of the bench; and of what models with
#: draughts add, while the bench is no more restless than usual: its slow noise is known apart from that.
KNOWN_TRUST, KNOWN_DRAUGHT = 0.6, 0.5
#: What those say beyond this many times the variance of the models without draughts is a draught of today.
OF_TODAY = 2.0
#: A level that may be one of the jumps, likelier than RARE, may be wrong by their whole size, not by its
#: root mean square: then a 95 % interval reaches as far as that, 1/1.96 of it is added.
RARE, RARE_SHARE = 1e-3, 0.51

# -- restlessness --------------------------------------------------------------------------------------

#: Changes of the reading over CHANGE_LAG (s) are compared with the usual ones, known from USUAL_KNOWN s on;
#: one larger than CHANGE_OUTLIER mean squares is a step or a knock.
CHANGE_LAG, USUAL_KNOWN, CHANGE_OUTLIER = 0.6, 60.0, 25.0
#: s over which the usual rises and falls, over which what is of late is taken, and what the usual counts for
#: beside the level's own.
USUAL_RISES, USUAL_FALLS, LATE_TIME, OWN_TIME = 600.0, 100.0, 2.0, 1.0
LEAST_CHANGE = 0.5  # resolutions squared: the digit alone changes by that
#: Beyond that many times the usual it counts; that share of it is slow noise, which stays that long (s).
GROWN, SLOW_SHARE, SLOW_STAYS = 1.3, 4.0, 12.0

# -- acceptance ---------------------------------------------------------------------------------------

#: A bench not known from before is watched that long (s) before anything is accepted, so that slow noise
#: can show itself: first while hardly more than the digit moves, then otherwise. One that is known is watched
#: for the first: how deep anybody breathes beside it now must show.
WATCH_QUIET, WATCH_NOISY = 2.5, 10.0
HARDLY = 0.45  # standard deviation of the readings shown; a still balance has 0.3
YOUNGEST, FEWEST = 0.5, 5  # s, and readings: no level is accepted younger
STANDS = 1 / 3  # of the time the change took, before a level counts: a slow filter may pause on its way
#: A change by fewer resolutions than that may be the first part of a larger one, hands still at the pan: it
#: must stand for as long as it took, at most that long (s).
SMALL, LONGEST_PAUSE = 200.0, 2.0
QUIET_SINCE = 1.0  # s since a reading was set aside
UNEASY = 2.5  # mean square of the normalised errors over the last second, and of those set aside too over two
HORIZON, DRIFT_LIMIT = 5.0, 5.0  # s over which a drift counts, targets it may come to
HOPELESS = 60.0  # s to go beyond which the noise, not the patience, is the matter
SILENCE = 3.0  # s, or ten usual intervals

# -- steadiness ---------------------------------------------------------------------------------------

#: In which band a disturbance is named, Hz; at rest people breathe at 0.2 to 0.33 Hz.
BREATHING = (0.14, 0.56)
DISTURBANCES = (
    ("drift", 0.0, 0.02),
    ("draught", 0.02, BREATHING[0]),
    ("breathing", *BREATHING),
    ("vibration", BREATHING[1], float("inf")),
)
FEWEST_READINGS = 16
LINE = 6.0  # times the spectrum beside it that make a line
FLAT = 3.0  # a band this many times denser than the next is not the balance's own noise
OUTLYING = 8.0  # robust standard deviations off its neighbours: a damaged line, not the balance
LONG_GAP = 3.0  # usual intervals without a reading that end a stretch
