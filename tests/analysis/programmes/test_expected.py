"""What a plan is expected to tell, against the assumed sample's closed form and what runs then show."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from tests.support import EXAMPLES
from tests.support.examples import in_turn
from tests.support.models import programme_slips as P
from tests.support.models.preisach_medium import Material
from weighloop.analysis.files.bench_file import read_bench
from weighloop.analysis.planning.assumed_loop import AssumedLoop
from weighloop.analysis.programmes import predicted as module
from weighloop.analysis.programmes.expected import expected
from weighloop.analysis.programmes.path import plan_programme
from weighloop.analysis.programmes.predicted import with_memory
from weighloop.analysis.programmes.programme import programme
from weighloop.analysis.programmes.results import analyse_programme

#: A sample that the bench saturates, and what a plan assumes for it.
SOFTER, H = Material(120e3, 75e3, 14e3, reversible=5e3), np.linspace(-400e3, 400e3, 401)
FOR_SOFTER = AssumedLoop.of(None, (H, 120e3 * np.tanh((H + 75e3) / 28e3)))


@pytest.mark.parametrize("name", in_turn(P.NAMES))
def test_the_uncertainty_expected_is_that_of_a_run(name: str) -> None:
    """Of another sample, the second model's, within a factor of three: an order of magnitude, before anything
    is weighed; of a decay, which is none, a bound."""
    plan = with_memory(replace(P.plan(name), assumed=FOR_SOFTER), P.bench())
    foreseen = expected(plan, P.bench(), name).figures
    run = analyse_programme(P.clean(name, material=SOFTER), P.bench(), draws=60).figures
    assert foreseen.keys() == run.keys()
    if name == "decay":
        assert foreseen["viscosity_A_per_m"].status == "bound"
        return
    for key, figure in foreseen.items():
        assert figure.status == run[key].status
        if figure.status == "measured" and key.endswith("A_per_m"):  # ratios vary more
            assert figure.u is not None
            # A load line goes with one by the field, and its u with it: of two samples its parts compare.
            of, by = (f.value if "load_line" in key else 1.0 for f in (figure, run[key]))
            assert run[key].u / by / 3.0 < figure.u / of < 3.0 * run[key].u / by, key


@pytest.mark.parametrize("name", ["recoil", "remanence"])
def test_a_sample_that_is_not_saturated_is_expected_to_have_bounds(name: str) -> None:
    """As its run has them, for the same reason: what a minor loop tells is smaller (the loop's own rule)."""
    of = {
        "field_of_loss_A_per_m": "bound",
        "load_line_of_loss": "not determined",
        "recoil_permeability": "measured",
        "remanence_A_per_m": "bound",
        "remanence_coercivity_A_per_m": "bound",
        "largest_difference": "not determined",
    }
    foreseen = expected(P.plan(name), P.bench(), name).figures
    run = analyse_programme(P.clean(name), P.bench(), draws=60).figures
    for figures in (foreseen, run):
        for key, figure in figures.items():
            assert figure.status == of[key], key
            if figure.status != "measured":
                assert "not saturated" in (figure.why or "")
            if figure.status == "bound":
                assert figure.value == figure.low95
                assert figure.high95 is None


def test_the_assumed_sample_in_an_even_field_is_the_assumed_loop() -> None:
    """Up to its largest field and back, without a field of its own: the branch that is assumed, but for
    what of the product density lies beyond the field or below the diagonal, some hundredths (Everett, as
    I. D. Mayergoyz, Phys. Rev. Lett. 56 (1986) 1518, has it, from memory)."""
    loop = P.plan("recoil").assumed
    top = 300e3  # A/m: cells of some 10 kA/m
    H = np.concatenate([[top], np.linspace(top, -0.9 * top, 40)])[:, None]
    M = module._magnetised(loop, H, 0.0)[:, 0]
    assert M[1:] == pytest.approx(np.interp(H[1:, 0], loop.H, loop.M), abs=0.06 * loop.saturation)


def test_the_plan_expects_a_sample_that_remembers() -> None:
    """Turned over at the far end and brought into a reverse field too small to turn it, a magnet is still
    pushed away on the way back: on a recoil line M keeps its sign (IEC 60404-8-1)."""
    steps = P.plan("recoil").steps
    small = [step for step in steps if step.leg in (2, 3)]
    assert all(step.predicted_reading > 0 for step in small)
    top = max(steps, key=lambda step: abs(step.H_applied))
    assert top.predicted_reading < 0


def test_the_plan_s_sample_is_in_its_own_field(monkeypatch: pytest.MonkeyPatch) -> None:
    """Sought as closely and as long as one likes, its readings stay what they are."""
    bench = read_bench(EXAMPLES / "wp-bench.toml")
    found = [step.predicted_reading for step in plan_programme(bench, programme("recoil"), 16).steps]
    monkeypatch.setattr(module, "AGREED", 1e-9)
    monkeypatch.setattr(module, "MOST_ROUNDS", 500)
    closer = [step.predicted_reading for step in plan_programme(bench, programme("recoil"), 16).steps]
    assert found == pytest.approx(closer, abs=1e-3 * max(map(abs, closer)))
