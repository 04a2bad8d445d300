"""Slips in every programme: what is set aside and named, and that nothing wrong is called measured.

Pulls, and what is true, are the second model's (tests.support.models): another quadrature, another medium
with memory, closed-form decay (R. Street and J. C. Woolley, Proc. Phys. Soc. A 62 (1949) 562).
"""

from __future__ import annotations

import json
from functools import cache
from pathlib import Path

import numpy as np
import pytest

from tests.support.models import programme_slips as P
from weighloop.analysis.programmes.results import ProgrammeResult, analyse_programme
from weighloop.analysis.records.readings import Readings
from weighloop.analysis.report import write_programme
from weighloop.tui.cli.desk.programme import programme_table

#: Of the slips that are found at all: warnings one of which names the rows.
CODES: dict[P.Slip, set[str]] = {
    P.re_zero_forgotten: {"zero-jump"},
    P.common_shift: {"zero-jump"},
    P.one_outlier: {"fit-outlier"},
    P.wrong_count: {"fit-outlier"},
    P.lift_short: {"gap-outlier", "zero-jump"},
    P.not_turned: {"orientation-suspect"},
}


def analysed(readings: Readings) -> ProgrammeResult:
    return analyse_programme(readings, P.bench(), draws=80)


@cache
def clean(name: str) -> ProgrammeResult:
    return analysed(P.clean(name))


def wrong(name: str, result: ProgrammeResult) -> list[str]:
    """Figures called measured and farther from what is true than three standard uncertainties, and
    lower bounds that are so far above it; where the material does not say it in closed form, from what the
    clean run has."""
    top = 0.0
    if result.history is not None:
        top = float(result.history.follow([result.history.largest]).H[0, 0])
    true, found = P.truth(name, top), []
    for key, figure in result.figures.items():
        if figure.status == "not determined":
            continue
        assert figure.value is not None, key
        assert figure.u, key  # nothing is measured without an uncertainty
        unslipped = clean(name).figures[key]
        right, u = (true[key], 0.0) if key in true else (unslipped.value, unslipped.u)
        if right is None:
            continue  # the clean run has less of it: nothing to compare with
        off = figure.value - right
        if (abs(off) if figure.high95 is not None else off) > 3.0 * np.hypot(figure.u, u or 0.0):
            found.append(f"{key} {figure.value:.4g}, right is {right:.4g}, u {figure.u:.2g}")
    return found


@pytest.mark.costly
@pytest.mark.parametrize("name", P.NAMES)
def test_a_clean_run_has_nothing_set_aside(name: str) -> None:
    result = clean(name)
    assert result.warnings == ()
    assert wrong(name, result) == []
    # What is not measured is so because the bench does not saturate the sample, or know enough of the map.
    whys = [figure.why or "" for figure in result.figures.values() if figure.status != "measured"]
    assert all("not saturated" in why or "of the distribution is known" in why for why in whys)


@pytest.mark.slow
@pytest.mark.parametrize("slip", P.SLIPS)
@pytest.mark.parametrize("name", P.NAMES)
def test_a_slip_is_found_or_nothing_wrong_is_called_measured(name: str, slip: P.Slip, tmp_path: Path) -> None:
    readings, rows = slip(name, np.random.default_rng(5))
    result = analysed(readings)
    assert wrong(name, result) == []
    named = {row for w in result.warnings if w.code in CODES[slip] for row in w.rows}
    if slip is P.not_turned:
        assert {f.status for f in result.figures.values()} == {"not determined"}
        assert set(readings.row[rows].tolist()) <= named
        # Where nothing is determined, page and table say that first.
        write_programme(result, page := tmp_path / "page.html")
        lead = page.read_text(encoding="utf-8").partition('class="lead"')[2]
        assert "Not determined. A turn-over was missed" in lead.partition("<svg")[0]
        assert programme_table(result).startswith("Not determined. A turn-over was missed")


@pytest.mark.slow
def test_a_stretch_that_was_not_re_zeroed_is_set_aside_row_by_row() -> None:
    """From the middle of a passage to its end off by three spacers' mass, and no other row."""
    readings = P.clean("remanence")
    rows = np.flatnonzero(P.way("remanence").leg == 2)[2:]
    readings.reading[rows] += 3.0 * P.SHIM
    result = analysed(readings)
    (warning,) = result.warnings
    assert (warning.code, warning.rows) == ("zero-jump", tuple(readings.row[rows].tolist()))
    assert wrong("remanence", result) == []


def test_a_zero_that_moves_while_a_field_is_held_is_fitted_besides() -> None:
    readings = P.clean("decay")
    held = np.flatnonzero(P.way("decay").wait > 0.0)
    readings.reading[held[9] :] += 50e-6
    result = analysed(readings)
    (warning,) = result.warnings
    assert warning.code == "zero-jump"
    assert warning.rows[0] == readings.row[held[9]]
    assert float(warning.text.split("all off by ")[1].split(" g")[0]) == pytest.approx(0.05, rel=0.05)
    assert wrong("decay", result) == []
    assert json.loads(json.dumps(result.to_json()))["result"]["warnings"][0]["code"] == "zero-jump"


def test_a_plan_that_holds_a_field_says_what_of_the_zero_is_not_known() -> None:
    assert any("is in the uncertainty" in warning for warning in P.plan("decay").warnings)
    assert not any("is held the zero" in warning for warning in P.plan("recoil").warnings)
