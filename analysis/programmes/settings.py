"""Every number of the programmes' results that was chosen, and where it comes from.

Chosen on samples of the second model with even seeds, judged on odd ones (`tests.benchmarks.programmes`).
"""

from __future__ import annotations

#: Curves of a family, points of one back to no field, and of one up to the largest: twice as many change
#: nothing beyond the draws' own noise.
FAMILY, POINTS, LONG = 24, 25, 49
#: Loss of flux by which a working point's limit is named (common practice, no source).
LOSS = 0.05
#: A part of the distribution is shown where it is more than this many of its own standard uncertainties.
SEEN = 2.0
#: Readings below this number tell no history.
LEAST_ROWS = 12
#: A residual of so many standard deviations is no reading of this sample.
FAR_OFF = 8.0
#: Of the readings, one in this many may be set aside so.
MOST_OFF = 30
#: What a density of even cells is off by: this part of M, and of the recoil permeability so much.
DENSITY_DOUBT, PERMEABILITY_DOUBT = 0.01, 0.004
#: A decay wants so many readings at one gap, which is one within half a motor's full step, m.
LEAST_DECAY, LONGEST_SAME = 8, 5e-6
#: How fast a balance's zero may drift, kg/s, where nothing else is known: 20 mg in an hour (common practice,
#: no source).
DRIFT = 20e-6 / 3600.0
