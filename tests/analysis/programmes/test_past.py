"""Runs whose sample was run before, on the second model and on the twin's own sample: neither shares anything
with the analysis."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pytest

from tests.benchmarks.programmes import true_figures
from tests.support.models.programme_samples import DrawnSample, second_model, twins_own, way
from weighloop.analysis.programmes.history_fit import HistoryFit, fit_history
from weighloop.analysis.programmes.results import analyse_programme

pytestmark = pytest.mark.slow

Drawn = Callable[[np.random.Generator], DrawnSample]


def coarse(rng: np.random.Generator) -> DrawnSample:
    return second_model(rng, rings=2, layers=4)


def run(drawn: Drawn, *names: str, seed: int = 0) -> HistoryFit:
    """The last of several programmes of one sample, one after the other."""
    rng = np.random.default_rng(seed)
    sample = drawn(rng)
    table = sample.weighed([way(sample, name, 7) for name in names], rng, names[-1])
    return fit_history(table, sample.bench, draws=2)


def before(history: HistoryFit) -> list[tuple[float, int]]:
    """The turns before the run, as found: mm and orientation."""
    points = history.points
    rows = [i for i, why in enumerate(points.why_not) if why == "before the run"]
    return [(1e3 * float(points.gap[i]), int(points.orientation[i])) for i in rows]


@pytest.mark.parametrize("drawn", [twins_own, coarse])
@pytest.mark.parametrize("earlier", ["recoil", "decay", "remanence"])
def test_what_a_sample_was_run_through_before_is_no_misfit(drawn: Drawn, earlier: str) -> None:
    history = run(drawn, earlier, "remanence")
    aside = [row for warning in history.warnings for row in warning.rows]
    assert len(aside) <= 1  # the first of all, at the far end, leans on the past alone
    assert history.misfit < 1.5
    for gap, orientation in before(history)[:1]:  # none where a virgin sample reads alike
        assert gap == pytest.approx(1.0, abs=0.3)
        assert orientation == {"recoil": 1, "decay": 1, "remanence": -1}[earlier]


@pytest.mark.parametrize("drawn", [twins_own, coarse])
def test_a_sample_never_magnetised_has_no_past(drawn: Drawn) -> None:
    assert before(run(drawn, "remanence")) == []


@pytest.mark.parametrize("drawn", [twins_own, coarse])
def test_minor_loops_of_a_flat_disc_are_no_slips(drawn: Drawn) -> None:
    """A whole reversal programme of a disc three times as wide as high, which demagnetises itself by half its
    magnetisation and more."""
    history = run(drawn, "reversal", seed=1)
    assert history.warnings == ()
    assert history.misfit < 0.5


@pytest.mark.parametrize("drawn", [twins_own, coarse])
@pytest.mark.parametrize("name", ["recoil", "remanence"])
def test_a_sample_taken_off_for_its_spacers_is_no_misfit(drawn: Drawn, name: str) -> None:
    """Between two readings it is far away, where its own field turns over some of it: what is lost so on the
    way to a reading is no loss by that reading's field."""
    rng = np.random.default_rng(2)
    sample = drawn(rng)
    table = sample.weighed_by_hand(way(sample, name, 7), rng, name)
    found = analyse_programme(table, sample.bench, name, draws=200)
    assert found.history is not None
    assert found.history.warnings == ()
    assert found.history.misfit < 1.0
    assert found.used == len(table)
    true = true_figures(found.found, found.history, sample)
    for key, figure in found.figures.items():
        if figure.value is not None and figure.u is not None:
            off = (true[key] - figure.value) / figure.u
            assert off >= 0.0 if figure.status == "bound" else abs(off) < 3.0, key
