"""Every number of the programmes' results that was chosen, and where each group comes from.

| group | where it comes from | the script that checks it again |
| --- | --- | --- |
| grids | twice as many curves or points change nothing beyond the draws' own noise | `tests.benchmarks.programmes` |
| what was before a run | chosen by hand, never scanned: more of both change no figure | `tests.benchmarks.programmes` |
| what is claimed | samples of the second model with even seeds, judged on odd ones | `tests.benchmarks.programmes` |
| rows far off | chosen by hand, never scanned | `tests.benchmarks.programmes` |
| decay | half a motor's full step, and 20 mg in an hour: common practice, no source | `tests.benchmarks.programmes` |

SI units, parts of what is named, or counts.
"""  # noqa: E501

from __future__ import annotations

# -- grids --------------------------------------------------------------------------------------------

FAMILY, POINTS, LONG = (
    24,
    25,
    49,
)  # curves of a family, points of one back to no field, of one up to the largest
#: Each draw leads a sample through its whole path; more than these change nothing.
MOST_DRAWS = 2000
EXPECTED_DRAWS = 60  # of what is expected of a plan
AGREED, MOST_ROUNDS = 1e-4, 60  # M in its own field: how closely, of the largest, and steps to it at most

#: Of more than twice this number of readings this number, with those at the turns, say first which hypothesis
#: is likely.
FIRST_ROWS = 300

# -- what was before a run ----------------------------------------------------------------------------

#: Gaps of the bench at which the sample's field may have turned before (fewer, magnetised elsewhere),
#: how often the distance between them is halved, and how many of the readings choose among them.
PLACES, FEW_PLACES, FINER, MOST_ROWS_OF_PAST = 24, 6, 6, 120
#: Hysterons feel all of the sample's own field where the misfit is below this; another past than a virgin's
#: is believed where it makes this part of the score or less.
FITS, MUCH_BETTER = 1.0, 0.2
AWAY = 0.3  # gap of a sample that is taken off, m: its field there is nothing
#: What was done elsewhere must be this many times better than what can have been done on this bench.
ELSEWHERE = 2.0

# -- what is claimed ----------------------------------------------------------------------------------

LOSS = 0.05  # of flux, by which a working point's limit is named (common practice, no source)
#: A part of the distribution is shown where it is more than this many of its own standard uncertainties.
SEEN = 2.0
#: Means over the known part of a distribution are told where that is this part of all of it, or more.
LEAST_KNOWN = 0.25
LEAST_ROWS = 12  # readings below this number tell no history
MISFIT = 4.0  # mean square of the residuals from which a past is sought, and a run warned of
#: What a density of cells is off by: parts of M, of a cell's width in field, of the recoil permeability (its
#: own size, over a cell or more), and of the largest of a map.
DENSITY_DOUBT, FIELD_DOUBT, PERMEABILITY_DOUBT, MAP_DOUBT = 0.005, 0.05, 0.003, 0.035
#: Where flux begins to be lost the smaller switching fields of a cell are rarer, which it does not know, and
#: so loses too early, up to twice ``LOSS``: a part of its width.
ONSET_DOUBT = 0.05
STRETCH = 0.01  # by which fields are made larger to see what that changes: a part
#: The same of each reading, a part of the largest M, looked for above this part of the largest field.
CELL_DOUBT, IN_FIELD = 0.001, 0.3

# -- rows far off -------------------------------------------------------------------------------------

FAR_OFF = 8.0  # standard deviations; a larger residual is no reading of this sample
MOST_OFF = 30  # of the readings, one in this many may be set aside one by one
#: Slips are looked for where a residual is more than this number of standard deviations; one must explain
#: this part of all that the fit leaves; and how many are looked for at most.
RESTLESS, MUCH_OF_ALL, MOST_SLIPS = 6.0, 0.3, 3
AT_ONCE = 500_000  # stretches times unknowns that are worked on at once: more take memory only

#: A pull is clear above this number of standard uncertainties; it has kept its sign where it is this part of
#: the one before the turn-over, or more.
CLEAR, KEPT = 10.0, 0.5

# -- decay --------------------------------------------------------------------------------------------

#: A held gap is read first so long after its first reading, s, and so often for each decade of time.
FIRST_WAIT, A_DECADE = 20.0, 8
LEAST_DECAY, LONGEST_SAME = 8, 5e-6  # readings at one gap, and within which range it is one, m
MOST_MOVES = 3  # times that the zero may have moved while a gap is held
#: How fast a balance's zero may drift, kg/s, where nothing else is known, and how far it wanders by that.
DRIFT, WANDER = 20e-6 / 3600.0, 0.5
