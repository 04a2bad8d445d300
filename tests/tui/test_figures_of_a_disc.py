"""The screen's figures of a weighed disc are those of the report's functions, and true.

The disc and its magnet are the tests' own model (tests.support.models.forward), which shares nothing with the
analysis.
"""

from __future__ import annotations

import numpy as np
import pytest

import tests.support.screen.scripted_daemon as S
from tests.support.models.forward import Magnet, Pellet, weigh
from tests.support.models.preisach_medium import Material
from weighloop.analysis.files.bench_file import parse_bench
from weighloop.analysis.results import analyse
from weighloop.daemon.store.readings_table import readings_of
from weighloop.tui.state.compute import analyse_run, loop_points


@pytest.mark.slow
def test_figures_by_the_real_analysis() -> None:
    """The same functions as the report's, on the same readings: what a disc of the tests' own model shows at
    the script's gaps (gravity of the script's place: tests/published/test_gravity.py)."""

    run = {**S.run_at(0), "steps": S.plan(16)}
    run["steps_done"] = len(run["steps"])
    run["points"] = S.points_of(run["steps"], len(run["steps"]))
    taken = [p for p in run["points"] if p["kind"] == "point"]
    path = (
        np.array([p["gap_m"] for p in taken], float),
        np.array([p["orientation"] for p in taken]),
        np.array([p["leg"] for p in taken]),
    )
    material = Material(120e3, 62e3, 6e3, reversible=8e3)
    disc = Pellet(rings=5, layers=10)
    weighed = weigh(Magnet(), disc, material, path[0], demagnetising="local", path=path)
    for point, force in zip(taken, weighed.force, strict=True):
        point["value_kg"] = -float(force) / (9.81373 * (1 - 1.2 / 8000))
    for point in run["points"]:
        point["value_kg"] = point["value_kg"] if point["kind"] == "point" else 0.0
    found = analyse_run(run, trials=200)  # pyright: ignore[reportArgumentType]
    HcJ, h = found.figures["coercivity_HcJ_A_per_m"], np.linspace(-1e5, 1e5, 2001)
    assert HcJ.status == "measured"
    true = -float(np.interp(0.0, material.major_descending(h), h))
    assert HcJ.value == pytest.approx(true, rel=0.01)
    again = analyse(readings_of(run), parse_bench(run["bench_text"]), trials=200)  # pyright: ignore[reportArgumentType]
    assert found.figures == again.figures
    assert len(loop_points(found)) == len(taken)
