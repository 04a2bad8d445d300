"""Every number of the inversion that was chosen, in one place, and where each group comes from.

| group | where it comes from | the script that checks it again |
| --- | --- | --- |
| doubt of the model | fits of a fine own field to a coarse one's forces; repeatability of a gap | `tests.benchmarks.adversary` |
| steps of the joint fit | chosen by hand, never scanned: more steps change no figure | `tests.benchmarks.inversion` |
| grids | twice as fine changes nothing beyond the noise | `tests.benchmarks.inversion` |
| smoothing | chosen by hand, never scanned, but for the weights: wide enough that no end is ever chosen | `tests.benchmarks.inversion` |
| which estimate | samples with and without memory, saturated or not | `tests.benchmarks.inversion`, `tests.benchmarks.coverage` |
| what may be claimed | standards where named; minor loops and strange samples | `tests.benchmarks.coverage`, `tests.benchmarks.adversary` |
| rows far off the fit | simulated slips, and samples no model follows | `tests.benchmarks.slips` |
| non-negative least squares | chosen by hand, never scanned: any value ends at the same answer | `tests/analysis/inversion/test_nnls.py` |

Units: parts of what is named, or plain numbers, unless said otherwise.
"""  # noqa: E501

from __future__ import annotations

import numpy as np

# -- doubt of the model -------------------------------------------------------------------------------

#: No hypothesis on the sample's own field is better than this part of the force, real samples being neither
#: even nor quite of their shape; a misfit tells of the bench by what it exceeds that. Parts of 1e-3 pulled
#: the contact gap by 0.05 mm.
MODEL_DOUBT = 4e-3
#: Relative standard deviation of a force beyond its reading's own uncertainty: the gap's repeatability
#: (0.3 um at a gradient of 10 % per mm) and the quadrature.
MODEL_SPREAD = 3e-4
#: A reduced chi-square above this says the readings are not as good as they claim, and count less beside
#: what the bench file states (Birge ratio; R. T. Birge, Phys. Rev. 40 (1932) 207, from memory).
CLAIM = 1.5
#: How many misfits of its own a wrong model of the sample has, in effect: it is off by as much along whole
#: stretches of a branch, so that a hundred readings more say no more of it.
STRETCHES = 4.0
#: No more readings of a branch than this tell of the bench: what a model is off by goes together along
#: stretches. Counted one by one, fifty of a steep sample moved the remanence of an exact bench by 2 u; with
#: four, a contact gap 8 u off was not found.
TELLING = 8.0
#: The own field is worked out by cells, to about this part of the force.
COARSE_CELLS = 3e-4

# -- steps of the joint fit ---------------------------------------------------------------------------

MOST_STEPS, MOST_CHOICES = 14, 4  # Gauss-Newton steps, and how often among them the smoothing is chosen again
#: No input moves farther than this in one step, in standard uncertainties: what a slope is worth is known
#: near where the fit stands.
LONGEST_STEP = 1.0
HOPELESS = 5  # steps after which a fit four times worse than what is enough is given up
STILL, STILL_Z = 3e-3, 0.02  # enough when objective and inputs (standard uncertainties) move by less
#: A step is halved where it makes the objective this many times worse. (Some it may: the coefficients'
#: step serves the roughness too.)
WORSE = 1.1
#: The parts agree with their local field when M is off by less than this part of the largest; and rounds,
#: the second where hysterons feel their own part.
AGREED, AGREED_ROUNDS, MOST_ROUNDS = 1e-5, 8, 20
#: Fields that move by less than this part of the largest turn where they did.
UNMOVED = 1e-9
#: Where a step of that makes a row worse its next is this part of it; steps grow again by twice.
SHORTER = 0.25
#: How often the bench is worked out again at the inputs found, until they (in standard uncertainties) and the
#: Birge ratio stay about as they are.
MOST_BENCHES, NEAR, ALIKE = 4, 0.2, 0.15
#: No input is sought farther than this from what is stated, in standard uncertainties, nor at less than half
#: of it: there is then something else the matter.
FARTHEST = 8.0

# -- grids --------------------------------------------------------------------------------------------

#: Points of a branch's curve. The spacing, about 3 kA/m on a small bench, is finer than a point's own
#: uncertainty makes sense of; the figures interpolate.
CURVE_POINTS = 201
UNIFORM_FIELDS = 2000  # fields at which a uniform sample's branch is worked out to find its local field
CLOSEST_KNOTS, FARTHEST_KNOTS = 1 / 300, 1 / 50  # distance of the splines' knots, by the range of field
#: Splines and density reach beyond the local field by this part: the field moves with the bench values.
MARGIN = 0.03
CELLS = 32  # along each axis of the density
#: Where cells are not even this part of their number is; and the steps within which they are.
EVEN, FINE = 0.3, 64
RAMPS = 4  # of the purely reversible part, odd in the field
DENSE = 300  # rows whose covariance is written out; of more, only what they have in common
IN_CACHE = 60_000  # values that are worked on at once, so that they stay in the processor's cache
ROWS_AT_ONCE = 200  # whose cells are summed up at once: more take memory only

# -- smoothing ----------------------------------------------------------------------------------------

#: Weights tried, by the one at which the best-determined combination of readings is half smoothed away.
WEIGHTS = 10.0 ** np.arange(-15.0, 2.1, 0.25)
LEAST_COLUMN = 3e-3  # columns of less than this part of the largest are left out
#: The derivatives that a branch may be smoothed through: of one that is smooth, and of one with knees.
SMOOTH, KNEES = 3, 2
WEIGHT_STRIDE = 2  # every second weight is tried with a spline that rises
#: Weight of plain size beside curvature in the penalty: keeps what no force sees from wandering.
SIZE = 1e-4
#: Each degree of freedom counts this much in the choice of smoothing, against too little of it on short
#: series, and of the rows at least this part stays free.
DEGREES_WEIGHT, LEAST_LEFT = 1.2, 0.15

# -- which estimate -----------------------------------------------------------------------------------

LEAST_ROWS_OF_SPLINE = 6  # below, the plain mean is the honest answer
LEAST_ROWS_OF_DENSITY = 20
#: The first curve is left out of the density where its rows miss by this many times what the others do: the
#: sample then had a past that no simple one describes.
OUT_OF_TUNE = 4.0
#: Steady fields tried for a sample magnetised before, by N times its largest M; rounds of refinement.
BIASES, BIAS_ROUNDS = (0.05, 0.1, 0.15, 0.2, 0.3, 0.4), 4
UNMAGNETISED = 0.05  # a sample whose first M is below this part of the largest counts as virgin
#: The density may predict held-out points worse by this factor: the splines have their freedom by branch.
#: Where the branches meet in the mean field it must predict them better by as much.
NO_WORSE = 3.0
#: A hypothesis is given up where its objective is this many times the best one's, and above the second.
FAR, FAR_AT_LEAST = 5.0, 200.0
LITTLE = 1.5  # odds below which another run does not tell two hypotheses apart
#: Hypotheses, and derivatives to smooth through, with less than this part of the best one's weight are not
#: averaged in.
UNLIKELY = 0.05

# -- what may be claimed ------------------------------------------------------------------------------

TOP = 2 / 3  # above this part of the largest internal field the law of approach is fitted
#: The branches of a saturated loop have met before the top: at this part of the largest internal field
#: they may be no farther apart than this part of M at the top. What turns over beyond the top is then
#: less than 1 %, in the spirit of IEC 60404-5 (50 % more field raises (BH)max by less than 1 %; by the
#: introduction to IEC/TR 62517, which finds multiples of HcJ too crude). The same where the parts that were
#: in weaker fields came to, in the mean over all: so much of the sample never turned.
MEET, TOGETHER = 5 / 6, 0.01
#: Where they are no farther apart than this HcJ is reported all the same, with as large a part of it in its
#: uncertainty: up to twice as much was missing, of grains that turn together. Where less exposed parts alone
#: are short, so is what else is read off the loop: M was then too small by as much, in the mean.
NEARLY = 0.05
#: Largest internal field by HcJ that is taken for saturating when there is no second branch to compare
#: with: the rule of thumb of the trade for hard ferrite (IEC 60404-5: 3 to 5).
TIMES_HCJ = 3.0
#: Own demagnetising field by HcJ beyond which internal field zero is not reported: a fiftieth of it is then
#: an eighth of HcJ (it is uneven by that much, and remanence off by 15 to 25 %).
SHEARED = 6.0
OPEN = 0.02  # a loop that opens at internal field zero by less than this part of M is closed
#: Above this mean square of misfits nothing is claimed of a minor loop, or of one by hysterons: with samples
#: that are no set of hysterons the bounds then were up to a sixth above the true values, and HcJ off by as
#: much.
MOST_MISFIT = 4.0
FOLLOWED, EXTRAPOLATED = 0.0015, 0.05  # misfit of the law of approach by M at the top; how far it may reach

# -- rows far off the fit -----------------------------------------------------------------------------

#: A residual this many times the usual one, and this many times the largest of rows not beside it, is a slip
#: (up to 32 and 1.5 where a method cannot follow a sample, which it then shows on both branches alike).
OUTLYING, ALONE = 12.0, 2.5
TIP, LEAST_SLIP = 0.85, 0.04  # rows above this part of the strongest field; a slip there, by F

# -- non-negative least squares -----------------------------------------------------------------------

#: Changes of which unknowns are held at their upper bounds, in all, and of those the first, all at once.
MOST_BOUNDED, AT_ONCE = 40, 3
ROUNDING = 1e-14  # a slope of this part of what its terms may be is zero
