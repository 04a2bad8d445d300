"""Every number of the screening of slips that was chosen, in one place, and where each group comes from.

| group | where it comes from | the script that checks it again |
| --- | --- | --- |
| limits of a branch | samples that do not saturate, discs 6 x 3 mm over a cylinder 20 x 10 mm | `tests.benchmarks.slips` |
| mirrored rows | what chance does among thousands of stretches tried | `tests.benchmarks.slips` |
| rows without a counterpart | simulated slips | `tests.benchmarks.slips` |
| jumps of the zero | of a hundred moments tried chance finds one that gains nine (2 ln 100) | `tests.benchmarks.hands_off` |
| single rows, zeros | chosen by hand, never scanned | `tests.benchmarks.slips` |

Found and harmless are counted by that script in 90 runs of each slip; ACCURACY.md quotes them.
Units: parts of what is named, rows, or plain numbers.
"""  # noqa: E501

from __future__ import annotations

# -- limits of a branch -------------------------------------------------------------------------------

#: How far the mean method may stray from a monotone branch, as a part of the largest M (up to 3 % where a
#: sample that does not saturate turns back).
COARSENESS = 0.035
#: Spread of the gradient inside the sample, by its mean, from which on the mean method says nothing of M.
UNEVEN = 0.3
STEEPER = 1.4  # how much steeper than 1/N a branch may look by the mean method (up to 1.2)
SURE = 6.0  # standard uncertainties a reading must be off before it is called a slip
STRONG = 0.7  # rows above this part of a passage's strongest field tell whether the sample is attracted
FEWEST_ROWS = 4  # in use; with fewer there are no limits to compare with

# -- mirrored rows ------------------------------------------------------------------------------------

REPEATS = 3e-4  # gaps of one noted height differ by this part of the force: 3 um where it falls 10 % a mm
LIKELIER = 60.0  # a slip lowers chi-square by more than this; chance lowers it by 20
#: Stretches that explain the pairs as well, to within this, are told apart by their branches' smoothness.
AS_WELL = 15.0
#: With a usual misfit above this many standard uncertainties the passages are not alike, and say nothing.
UNLIKE = 5.0
#: It explains this part of what the pairs differ by, bend by bend, and moves M by this part of its scale.
EXPLAINED, MATTERS = 0.5, 0.008
FEWEST_BENDS, MOST_SLIPS, LOOKED_AT = 8, 6, 80
AT_A_TIME = 512  # stretches worked out together, whose memory does not grow with how many there are
PLACES = 48  # in a passage where a stretch of wrong rows may begin or end

# -- rows without a counterpart -----------------------------------------------------------------------

#: A gap that no other passage has is likely noted wrongly anyway: it needs to move M by less of its scale,
#: but by this many times what rows with a counterpart are off by in the same way.
UNPAIRED, UNUSUAL = 0.004, 4.0

# -- jumps of the zero --------------------------------------------------------------------------------

#: A jump must make what is known likelier by this much of minus twice the logarithm; how many are looked for.
JUMP_GAIN, MOST_JUMPS = 12.0, 4
JUMP_WIDER = 2.0  # standard deviation of a jump that was found, by its size
LEAST_SHARE = 0.01  # moments that are less likely than this part of the likeliest are left out

# -- single rows, zeros -------------------------------------------------------------------------------

SHORT = 3  # rows; a stretch this short is no slip where the other orientation shows the same
LONGEST = 12  # rows of the longest stretch looked for that does not end in a broken step
ZERO_MOVED = 6.0  # standard uncertainties of the difference by which a zero did not drift
MOST_STEPS = 3  # wrong zeros looked for in one run; with more it is beyond repair by rows
