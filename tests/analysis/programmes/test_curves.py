"""Recoil, remanence and reversal curves of samples with memory at every point, against their own material."""

from __future__ import annotations

import json
import re
from dataclasses import replace
from functools import cache
from pathlib import Path

import numpy as np
import pytest

from tests.benchmarks.programmes import ridge
from tests.support.models.forward import Magnet, Pellet
from tests.support.models.grains import Grains
from tests.support.models.preisach_medium import HasMemory, Material
from tests.support.models.programmes import led, readings, weighed
from tests.support.models.runs import bench_of
from weighloop.analysis.errors import NotPossible
from weighloop.analysis.forces.force import force_per_kg
from weighloop.analysis.programmes import curves
from weighloop.analysis.programmes.history_fit import HistoryFit, fit_history
from weighloop.analysis.programmes.path import plan_programme
from weighloop.analysis.programmes.programme import programme
from weighloop.analysis.programmes.results import ProgrammeResult, analyse_programme
from weighloop.analysis.records.bench import Bench, Turner
from weighloop.analysis.records.readings import Readings
from weighloop.analysis.report import write_programme
from weighloop.analysis.units import Measured

pytestmark = pytest.mark.slow

MAGNET, PELLET = Magnet(), Pellet(rings=3, layers=4)
FERRITE = Material(300e3, 107e3, 18e3, reversible=8e3)


def bench() -> Bench:
    exact = bench_of(MAGNET, PELLET)
    return replace(
        exact,
        gap=replace(exact.gap, ladder="lift", travel=30e-3),
        reference_magnet=replace(exact.reference_magnet, pan_load=Measured(0.2)),
    )


@cache
def measured(name: str, material: HasMemory = FERRITE, points: int = 16) -> Readings:
    plan = plan_programme(bench(), programme(name), points)
    run = weighed(MAGNET, PELLET, material, plan)
    return readings(run, 3, attraction=-1.0, gravity=force_per_kg(bench().site))


@cache
def result(name: str) -> ProgrammeResult:
    return analyse_programme(measured(name), bench(), name, draws=200)


def fitted(name: str) -> HistoryFit:
    history = result(name).history
    assert history is not None
    return history


def top(history: HistoryFit) -> float:
    return float(history.follow([history.largest]).H[0, 0])


def test_recoil_is_that_of_the_material() -> None:
    """The second model's own medium, which shares nothing with the analysis: within three of the stated u."""
    history = fitted("recoil")
    assert history.points.used.all()
    found = curves.recoil(history)
    begun = top(history)
    whole = led(FERRITE, [begun, 0.0])[-1]
    for k in range(2, 22, 3):
        M = led(FERRITE, [begun, 0.0, found.H_reverse[k], 0.0])
        assert abs(found.loss[k] - (1.0 - M[-1] / whole)) < 3.0 * found.u_loss[k] + 1e-3
        slope = 1.0 + (M[-1] - M[-2]) / -found.H_reverse[k]
        assert abs(found.permeability[k] - slope) < 3.0 * found.u_permeability[k]
    fields = np.linspace(1e3, 200e3, 200)
    loss = [1.0 - led(FERRITE, [begun, 0.0, -f, 0.0])[-1] / whole for f in fields]
    five = float(np.interp(curves.LOSS, loss, fields))
    assert abs(found.field_of_loss.value - five) < 3.0 * found.field_of_loss.u
    assert found.field_of_loss.u < 0.25 * five
    # The load line through the point of the branch there: -B/(mu0 H), as IEC 60404-8-1 uses the term.
    line = led(FERRITE, [begun, 0.0, -five])[-1] / five - 1.0
    assert abs(found.load_line_of_loss.value - line) < 3.0 * found.load_line_of_loss.u
    assert found.load_line_of_loss.u < 0.5 * line


@pytest.mark.parametrize("eccentricity", [-50e-6, 50e-6])
def test_a_sample_off_the_turners_axis_is_no_misfit(eccentricity: float) -> None:
    """Stated is 0 mm, u 0.05 mm: half a percent of each pull close by, to either side by orientation."""
    exact = bench()
    turned = replace(exact, gap=replace(exact.gap, travel=49e-3, turner=Turner()))
    plan = plan_programme(turned, programme("recoil"), 8, zeros="hand")
    off = [replace(step, gap=step.gap + eccentricity * step.orientation) for step in plan.steps]
    run = weighed(MAGNET, PELLET, FERRITE, replace(plan, steps=tuple(off)))
    run = replace(run, gap=np.array([step.gap for step in plan.steps]))
    table = readings(run, 3, attraction=-1.0, gravity=force_per_kg(exact.site))
    history = fit_history(table, turned, draws=2)
    assert history.points.used.all()
    assert history.misfit < 1.5
    found = dict(zip(history.fits[0].model.keys, history.fits[0].model.z, strict=True))
    assert found["gap.turner.eccentricity"] == pytest.approx(eccentricity / 50e-6, abs=0.4)


def test_a_bench_value_widens_curves_by_what_fits_on_other_benches_differ() -> None:
    """What a remanence known to 5 mT adds to the uncertainty of M on a branch and its recoil lines, against
    fits on benches with a magnet stronger and weaker by that."""

    def led_through(remanence: Measured) -> np.ndarray:
        stated = replace(bench().reference_magnet, remanence=remanence)
        history = fit_history(
            measured("recoil", points=10), replace(bench(), reference_magnet=stated), draws=400
        )
        return history.follow([140e3, 0.0, -50e3, 0.0, -80e3, 0.0, -110e3, 0.0]).M

    known, wide, strong, weak = (
        led_through(Measured(MAGNET.remanence + off, u))
        for off, u in ((0.0, 0.0), (0.0, 5e-3), (5e-3, 0.0), (-5e-3, 0.0))
    )
    added = np.sqrt(np.maximum(wide[1:].var(axis=0) - known[1:].var(axis=0), 0.0))
    apart = 0.5 * np.abs(strong[0] - weak[0])
    np.testing.assert_allclose(added, apart, rtol=0.6, atol=1e3)


def test_both_remanence_curves_are_those_of_the_material() -> None:
    history = fitted("remanence")
    found = curves.remanence(history)
    begun = top(history)
    whole = led(FERRITE, [begun, 0.0])[-1]
    assert abs(found.remanence.value - whole) < 3.0 * found.remanence.u
    for k in range(2, 22, 3):
        left = led(FERRITE, [begun, 0.0, -found.H[k], 0.0])[-1]
        acquired = led(FERRITE, [found.H[k], 0.0])[-1]
        assert abs(found.left[k] - left) < 3.0 * found.u_left[k] + 1e-3 * whole
        assert abs(found.acquired[k] - acquired) < 3.0 * found.u_acquired[k] + 1e-3 * whole
    fields = np.linspace(60e3, 180e3, 120)
    zero = float(np.interp(0.0, [-led(FERRITE, [begun, 0.0, -f, 0.0])[-1] for f in fields], fields))
    assert abs(found.Hcr.value - zero) < 3.0 * found.Hcr.u


def test_grains_that_do_not_feel_one_another_have_no_difference() -> None:
    """E. P. Wohlfarth, J. Appl. Phys. 29 (1958) 595: left / Mr = 1 - 2 acquired / Mr for single-domain grains
    without interaction (the second model's grains, half of each kind up at the start)."""
    grains = Grains(300e3)
    material_left = led(grains, [900e3, 0.0, -120e3, 0.0])[-1] / led(grains, [900e3, 0.0])[-1]
    acquired = led(grains, [120e3, 0.0])[-1] / led(grains, [900e3, 0.0])[-1]
    assert material_left == pytest.approx(1.0 - 2.0 * acquired, abs=1e-3)
    found = curves.remanence(fit_history(measured("remanence", grains, 10), bench(), draws=200))
    worst = np.abs(found.difference) - 3.0 * found.u_difference
    assert worst.max() < 0.1


def test_reversal_curves_lie_within_the_loop_and_their_map_has_the_material_s_middle() -> None:
    """C. R. Pike et al., J. Appl. Phys. 85 (1999) 6660: the distribution of a Preisach medium is its density,
    whose middle is at (coercive field, no interaction)."""
    found = curves.reversal(fitted("reversal"))
    assert (np.diff(found.curves.M, axis=1) > -1e-6 * np.abs(found.curves.M).max()).all()
    assert found.known.sum() > 5
    step = found.fields[1] - found.fields[0]
    assert abs(found.coercive - FERRITE.coercivity) < step
    assert abs(found.interaction) < step
    # Its ridge is there too, along what is known, one grid step either way.
    known = np.where(found.known, found.density, 0.0)
    n = len(found.fields)
    assert abs(ridge(known, -1)[0] - 0.5 * n - FERRITE.coercivity / step) < 1.0


def test_a_reading_that_is_none_of_the_sample_s_is_set_aside() -> None:
    table = measured("recoil", points=8)
    wrong = table.reading.copy()
    wrong[20] += 2e-3
    history = fit_history(replace(table, reading=wrong), bench(), draws=50)
    assert [w.code for w in history.warnings] == ["fit-outlier"]
    aside = list(np.flatnonzero(~history.points.used))
    assert 20 in aside
    assert len(aside) <= 3


def test_too_little_is_refused_in_words() -> None:
    plan = plan_programme(bench(), programme("loop"), 18)
    run = weighed(MAGNET, PELLET, FERRITE, plan)
    table = readings(run, 3, attraction=-1.0, gravity=force_per_kg(bench().site))
    aside = tuple("not wanted" if o < 0 else None for o in table.orientation)
    with pytest.raises(NotPossible, match="both orientations"):
        fit_history(replace(table, set_aside=aside), bench())


@pytest.mark.parametrize("name", list(curves.RESULTS))
def test_the_json_has_plain_types_only(name: str) -> None:
    found = json.loads(json.dumps(result(name).to_json(), allow_nan=False))
    assert found["sample"] == "WP-07-1"
    assert found["gives"] == name
    assert {figure["status"] for figure in found["figures"].values()} <= {
        "measured",
        "bound",
        "not determined",
    }


@pytest.mark.parametrize("name", list(curves.RESULTS))
def test_the_page_is_whole_and_says_the_result_first(name: str, tmp_path: Path) -> None:
    page = tmp_path / "page.html"
    write_programme(result(name), page, "again: <this>")
    text = page.read_text(encoding="utf-8")
    assert text.index('class="lead"') < text.index("<svg")
    assert text.count("<figure") == {"recoil": 4, "remanence": 3, "reversal": 3}[name]
    assert "again: &lt;this&gt;" in text
    assert "nan" not in re.sub(r"<svg.*?</svg>", "", text, flags=re.DOTALL).lower().replace("remanence", "")
