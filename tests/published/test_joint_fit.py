"""The covariance of a joint calibration against the matrix law of propagation, by another way than the fit's.

JCGM 102:2011, clause 6 (V_y = C V_x C^T; the clause's number from memory), of what several readings share:
what is not wanted (a coil's area, a probe's gain, the magnet's sizes, its core) is not fitted but propagated
into a full covariance matrix of the readings, and the two wanted are found by generalised least squares. For
a linear model the covariance of both ways is the same; here the slopes are differences at the solution.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from tests.benchmarks.calibrated import FILE
from tests.support.models.uneven import TrueCoil, UnevenBench, coil_pull
from weighloop.analysis.calibration.coil import coil_source
from weighloop.analysis.calibration.methods import probe, together
from weighloop.analysis.files.bench_file import parse_bench
from weighloop.analysis.records.bench import Coil
from weighloop.analysis.units import Measured

m = Measured
FLOOR = 0.0015  # of each reading, for what two zones leave out of a magnet (METHOD.md, section 11)


def test_what_is_fitted_beside_is_what_is_propagated():
    bench = parse_bench(FILE)
    true, h, near = UnevenBench(), np.arange(8) * 2.5e-3, np.arange(10) * 2e-3
    coil = Coil(
        291, m(3e-3), m(6e-3), m(3e-3), m(1e-3, 3e-5), m(5e-3), turn_area=m(TrueCoil().turn_area, 1e-5)
    )
    pull = coil_pull(true, TrueCoil(), h, np.ones(8))
    field = true.field(np.zeros(10), np.zeros(10), true.gap(near))[0]
    magnet, contact, scale = bench.reference_magnet, bench.gap.contact, bench.gap.scale
    sources = [
        coil_source(coil, magnet, h, pull, contact=contact, offset=m(0, 1e-4), u=1e-3 * pull.max()),
        probe(near, field, probe_offset=m(0, 5e-5), u_B=1e-4, gain_u=0.003),
    ]
    found = together(sources, magnet, contact=contact, scale=scale)
    values = dict(zip(found.names, found.values.tolist(), strict=True))

    def readings(changed: dict[str, float]) -> np.ndarray:
        now = values | changed
        sizes = {name: m(now[name]) for name in ("remanence", "core_excess", "diameter", "height")}
        body = replace(magnet, **sizes)
        predicted = []
        for s in sources:
            own = np.array([now.get(name, known.value) for name, known in s.nuisances.items()])
            predicted.append(s.model(body, now["scale"] * s.heights + now["contact"], own))
        return np.concatenate(predicted)

    def slope(name: str) -> np.ndarray:
        step = 0.01 * found.stated[name].u
        ahead, behind = (readings({name: values[name] + way * step}) for way in (1, -1))
        return (ahead - behind) / (2 * step)

    wanted, shared = ["remanence", "contact"], set(found.names) - {"remanence", "contact"}
    assert {"core_excess", "scale", "turn_area", "probe_gain"} <= shared
    measured = np.concatenate([s.measured for s in sources])
    own = np.concatenate([np.broadcast_to(s.u, s.measured.shape) for s in sources])
    V = np.diag(own**2 + (FLOOR * measured) ** 2)
    for name in sorted(shared):
        V += np.outer(slope(name), slope(name)) * found.stated[name].u ** 2
    C = np.array([slope(name) for name in wanted]).T
    # What the bench file states of the two is one more reading of each.
    stated = np.diag([found.stated[name].u ** -2.0 for name in wanted])
    covariance = np.linalg.inv(C.T @ np.linalg.solve(V, C) + stated)
    at = [found.names.index(name) for name in wanted]
    np.testing.assert_allclose(found.covariance[np.ix_(at, at)], covariance, rtol=2e-3)
    assert found.correlation == pytest.approx(
        covariance[0, 1] / np.sqrt(covariance[0, 0] * covariance[1, 1]), abs=1e-3
    )
