"""Every number of the calibrations that was chosen, in one place, and where each group comes from.

| group | where it comes from | the script that checks it again |
| --- | --- | --- |
| refusals | chosen by hand: a calibration vaguer than a data sheet and a feeler gauge is none | `tests.benchmarks.calibrated` |
| the magnet model | fits to magnets that are not even, by probe and by coil | `tests.benchmarks.uneven_magnets`, `tests.benchmarks.calibrated` |
| the axis | cylinders of 20 x 10 mm with a core 6 % weaker to 4 % stronger, closest and 7 mm above it; the rest chosen by hand | `tests/analysis/calibration/test_axis.py` |
| samples and coils | common practice, no source; 15 K chosen by hand, never scanned | none |
"""  # noqa: E501

from __future__ import annotations

# -- refusals -----------------------------------------------------------------------------------------

#: The two columns of the fit's Jacobian, each scaled to length 1, have this condition number when a change of
#: the contact gap can be undone to 1 % by a change of the remanence (correlation 0.9998).
WORST_CONDITION = 100.0
WORST_U_REMANENCE = 0.05  # relative
WORST_U_CONTACT = 0.3e-3  # m
FAILS = 3.0  # standard uncertainties the mean of a check's readings may be off

# -- the magnet model ---------------------------------------------------------------------------------

#: Of a fit with a prior on everything: a reduced chi-square above this, or a value this many standard
#: uncertainties from what was known of it, says that the magnet is none of those the model knows. A narrow
#: strong core shows itself by both, every magnet the model fits to 0.3 % of B by neither.
WORST_CHI_SQUARE, WORST_PULL = 2.0, 3.0
#: No magnet is quite two zones: what the model's own gradient may be off by, relative, in the uncertainty of
#: each reading; the fit makes of it what all of them share. (Its field may be off by more:
#: ``magnetostatics.settings.U_FIELD_MODEL``, beside it in every figure.)
MODEL_FLOOR = 0.0015
#: Relative uncertainty of the ratio of the sample's gradient to the coil's: within 1.4 % of 1, and 0.05 to
#: 0.15 % off at all gaps on uneven magnets.
U_RATIO = 0.0015
SAME_PLACE = 5e-6  # m; sample and coil stood in the same place

# -- the axis -----------------------------------------------------------------------------------------

#: A parabola's top is off by up to 14 % of how far it is from the middle of places 3 mm to either side.
BENDS_AWAY = 0.1
#: The pull's relative change a radius beside the axis by its bend there: less, and the next power counts.
LEAST_BEND = 0.4

# -- samples and coils --------------------------------------------------------------------------------

#: A soft standard counts as saturated where the applied field exceeds its demagnetising field this many
#: times.
SATURATION_MARGIN = 1.5
TOO_WARM = 15.0  # K; a coil warmer by more is driven too hard: its area, leads and the air about it move
