"""The settling filter under real breathing and real ground motion, scaled to the balance.

The recordings are those of general-purpose packages, see ``tests/support/models/recorded.py``; the level they
are laid over is known. The table over many trials is ``python -m tests.benchmarks settling_recorded``.
"""

import numpy as np
import pytest

from tests.support.models import recorded
from tests.support.models.streams import Disturbances, make
from weighloop.analysis.settling import SettlingFilter

MG = 1e-6
TRIALS = 4
RECORDS = {
    "respiration": (recorded.respiration, "peakdet", 3.0),
    "ground motion": (recorded.ground, "obspy", 2.0),
}


@pytest.mark.parametrize("name", RECORDS)
def test_real_disturbances_leave_a_level_as_good_as_stated(name: str) -> None:
    load, package, digits = RECORDS[name]
    record = load()
    if record is None:
        pytest.skip(f"the package {package}, which ships the recording, is not installed")
    errors = []
    for number in range(TRIALS):
        rng = np.random.default_rng([15, list(RECORDS).index(name), number])
        s = make(rng, name, recorded=recorded.piece(record, digits), kind=Disturbances(sensor=0.5))
        f = SettlingFilter(s.digit * MG, 2 * s.digit * MG)
        for t, y in zip(s.arrival, s.reading, strict=True):
            state = f.feed(t, y * MG)
            since = state.level_since
            if state.accepted and t > s.hand + 0.3 and since is not None and since > s.hand:
                errors.append((state.value / MG - s.level(state.at)) / (state.u / MG))
                break
    assert len(errors) >= TRIALS - 1
    # the stated 95 % interval; four trials can say no more than that none is far outside
    assert np.sqrt(np.mean(np.square(errors))) < 1.7
    assert max(np.abs(errors)) < 3.5
