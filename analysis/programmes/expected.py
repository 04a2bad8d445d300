"""What a planned programme will tell: each result's uncertainty before anything is weighed.

The readings that the plan predicts are analysed as if they had been weighed: with their uncertainty and no
noise.
"""

from __future__ import annotations

import numpy as np

from ..planning.gap_ladder import LadderPlan
from ..records.bench import Bench
from .predicted import plan_readings
from .results import ProgrammeResult, analyse_programme
from .settings import EXPECTED_DRAWS


def expected(ladder: LadderPlan, bench: Bench, gives: str) -> ProgrammeResult:
    """The analysis of the readings that ``ladder`` would give of what it assumes; its figures' ``u`` is what
    to expect. Raises NotPossible where they would be too few."""
    reading = np.array([step.predicted_reading for step in ladder.steps])
    return analyse_programme(plan_readings(ladder, reading, gives), bench, draws=EXPECTED_DRAWS, slips=False)
