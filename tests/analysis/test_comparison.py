"""Runs side by side: what they share cancels, what they do not does not."""

from __future__ import annotations

import json
from dataclasses import replace

import numpy as np
import pytest

from tests.support.models.loops import TanhLoop, noisy_run, reclaimed_bench
from weighloop.analysis.comparison import compare
from weighloop.analysis.results import analyse

BENCH = reclaimed_bench()
GAPS = np.geomspace(1e-3, 30e-3, 12)
HCJ = "coercivity_HcJ_A_per_m"


def named(name, bench=BENCH):
    return replace(bench, sample=replace(bench.sample, name=name))


def run(name, seed, material=None, bench=BENCH, noise=2e-6):
    readings = noisy_run(seed, material or TanhLoop(), GAPS, noise=noise)
    return analyse(readings, named(name, bench), trials=1000)


@pytest.fixture(scope="module")
def alike():
    return [run(f"WP-07-{i}", i) for i in (1, 2, 3)]


def test_shared_inputs_cancel(alike):
    """Same magnet, same gap: the difference of two coercivities is surer than either."""
    comparison = compare(alike)
    (first, *_) = [d for d in comparison.differences if d.figure == HCJ]
    assert first.u < 0.3 * first.u_apart
    # By hand: the difference of the trials of two results with the same draws.
    n = min(len(alike[0].samples[HCJ]), len(alike[1].samples[HCJ]))
    by_hand = np.std(alike[0].samples[HCJ][:n] - alike[1].samples[HCJ][:n], ddof=1)
    assert first.u == pytest.approx(by_hand)
    assert "remanence of the reference magnet" in comparison.shared
    assert "contact gap" in comparison.shared
    # Each disc was measured by itself.
    assert "diameter of the sample" not in comparison.shared
    assert "remanence of the reference magnet" in comparison.text


def test_a_disc_s_own_field_is_its_own(alike):
    """Chamfers and uneven densities differ from disc to disc: u of a difference of HcB has that of both (the
    budget's line of it, by the square root of two), but for two runs of one disc."""
    HcB = "coercivity_HcB_A_per_m"
    own = next(line.u for line in alike[0].budget[HcB] if "own field" in line.input)
    (d,) = [d for d in compare(alike[:2]).differences if d.figure == HcB]
    assert d.u > 0.9 * np.sqrt(2) * own
    again = run("WP-07-1", 8)
    (d,) = [d for d in compare([alike[0], again]).differences if d.figure == HcB]
    assert d.u < 0.7 * np.sqrt(2) * own


def test_one_run_against_itself(alike):
    (d,) = [d for d in compare([alike[0], alike[0]]).differences if d.figure == HCJ]
    assert d.value == 0
    assert d.u == pytest.approx(0, abs=1e-9)
    assert not d.differs


def test_another_magnet_shares_less(alike):
    magnet = BENCH.reference_magnet
    other = replace(BENCH, reference_magnet=replace(magnet, remanence=replace(magnet.remanence, value=1.321)))
    comparison = compare([alike[0], run("WP-07-2", 2, bench=other)])
    assert "remanence of the reference magnet" not in comparison.shared
    (d,) = [d for d in comparison.differences if d.figure == HCJ]
    assert d.u > 0.7 * d.u_apart


def test_alike_samples_do_not_differ(alike):
    comparison = compare(alike)
    (batch,) = [b for b in comparison.batch if b.figure == HCJ]
    assert batch.runs == 3
    assert batch.mean == pytest.approx(np.mean([r.figures[HCJ].value for r in alike]))
    assert batch.spread == pytest.approx(np.std([r.figures[HCJ].value for r in alike], ddof=1))
    # Chance of a false alarm is 5 %; these seeds have none, and the spread is of the size measurement makes.
    assert not batch.differ
    assert batch.spread < 3 * batch.u_own
    # The shared part does not average out: the mean is hardly surer than one run.
    assert batch.u_mean > 0.7 * alike[0].figures[HCJ].u


def test_different_samples_differ(alike):
    """A disc re-sintered to 2 kA/m more HcJ: less than one run's u (1.7 %), far more than the joint one."""
    other = run("WP-07-9", 9, TanhLoop(coercivity=42e3))
    (d,) = [d for d in compare([alike[0], other]).differences if d.figure == HCJ]
    assert d.value == pytest.approx(-2e3, abs=4 * d.u)
    assert d.differs
    (batch,) = [b for b in compare([*alike, other]).batch if b.figure == HCJ]
    assert batch.differ


@pytest.mark.costly
def test_trend(alike):
    """The slope over the batch is that of numpy's own straight line; alike discs show none."""
    stronger = [run(f"WP-07-{i}", i, TanhLoop(coercivity=c)) for i, c in ((4, 41e3), (5, 42e3), (6, 43e3))]
    (found,) = [t for t in compare(stronger).trend if t.figure == HCJ]
    values = [r.figures[HCJ].value for r in stronger]
    assert found.per_run == pytest.approx(np.polyfit(range(3), values, 1)[0])
    count = min(len(r.samples[HCJ]) for r in stronger)
    slopes = np.polyfit(range(3), np.array([r.samples[HCJ][:count] for r in stronger]), 1)[0]
    assert found.u == pytest.approx(np.std(slopes, ddof=1))
    assert found.goes
    assert found.per_run == pytest.approx(1e3, abs=4 * found.u)
    (still,) = [t for t in compare(alike).trend if t.figure == HCJ]
    assert abs(still.per_run) < 4 * still.u
    assert not compare(alike[:2]).trend


def test_json_and_names(alike):
    twice = compare([alike[0], run("WP-07-1", 8)])
    assert twice.names == ("WP-07-1 (1)", "WP-07-1 (2)")
    # Two runs of one disc share its size too.
    assert "diameter of the sample" in twice.shared
    data = json.loads(json.dumps(twice.to_json()))
    assert data["runs"] == list(twice.names)
    assert {row["figure"] for row in data["figures"]} >= {HCJ}


def test_wrong_calls(alike):
    with pytest.raises(ValueError, match="two runs or more"):
        compare(alike[:1])
    other = analyse(alike[0].readings, alike[0].bench, trials=50, seed=2)
    with pytest.raises(ValueError, match="different seeds"):
        compare([alike[0], other])


def test_the_distributions_are_those_of_the_trials(alike):
    """A body a sample and figure; its middle half lies where that of the trials does."""
    from matplotlib.collections import PolyCollection

    from weighloop.analysis.report.comparison import distribution_drawing

    figure = distribution_drawing(["a", "b"], alike[:2])
    for axes, key, scale in zip(figure.axes, ("remanence_A_per_m", HCJ), (1e-3, 1e-3), strict=False):
        bodies = [c for c in axes.collections if isinstance(c, PolyCollection)]
        assert len(bodies) == 2
        for body, result in zip(bodies, alike, strict=False):
            trials = scale * result.samples[key][np.isfinite(result.samples[key])]
            drawn = body.get_paths()[0].vertices[:, 1]
            assert drawn.min() == pytest.approx(trials.min(), rel=1e-6)
            assert drawn.max() == pytest.approx(trials.max(), rel=1e-6)


@pytest.mark.costly
def test_the_page_s_style_is_written_as_it_is(alike, tmp_path):
    """Quotes escaped inside <style> are no CSS: fonts, page numbers and the phone's labels would go."""
    from weighloop.analysis.report import write_report
    from weighloop.analysis.report.comparison import write_comparison

    write_report(alike[0], tmp_path / "report.html")
    write_comparison(compare(alike), alike, tmp_path / "comparison.html")
    for name in ("report", "comparison"):
        style = (
            (tmp_path / f"{name}.html").read_text(encoding="utf-8").split("<style>")[1].split("</style>")[0]
        )
        assert '"page " counter(page)' in style
        assert "&#" not in style
