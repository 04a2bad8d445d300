"""As few readings as the answer needs, on the tests' own material (closed form)."""

from __future__ import annotations

import json
from dataclasses import replace

import pytest
from click.testing import CliRunner
from hypothesis import given
from hypothesis import strategies as st

from tests.analysis.planning.test_expected_uncertainty import BENCH, LOOP
from tests.support import EXAMPLES
from weighloop.analysis.figures.names import FIGURE_NAMES
from weighloop.analysis.planning.fewest_readings import fewest_readings, parse_wanted
from weighloop.analysis.planning.settings import COUNTS
from weighloop.analysis.units import Measured
from weighloop.tui.cli import weighloop

HcJ = "coercivity_HcJ_A_per_m"


def test_what_is_asked_is_what_is_expected() -> None:
    modest = fewest_readings(BENCH, {HcJ: 0.05}, loop=LOOP, trials=200)
    assert sum(step.leg == 2 for step in modest.ladder.steps) == COUNTS[0]
    assert "branch-incomplete" not in {warning.code for warning in modest.result.warnings}
    (expectation,) = modest.expectations
    assert expectation.met
    assert expectation.u == pytest.approx(modest.result.figures[HcJ].u / modest.result.figures[HcJ].value)


def test_what_no_reading_can_give_is_named() -> None:
    """With the remanence known to 3 % the field, and with it HcJ, is not known better (H is in proportion to
    it)."""
    magnet = replace(BENCH.reference_magnet, remanence=Measured(1.32, 0.04))
    found = fewest_readings(replace(BENCH, reference_magnet=magnet), {HcJ: 0.001}, loop=LOOP, trials=200)
    (expectation,) = found.expectations
    assert not expectation.met
    assert expectation.exhausted
    assert expectation.weightiest == "remanence of the reference magnet"
    assert expectation.alone == pytest.approx(0.03, rel=0.3)
    assert "more readings cannot help" in expectation.sentence()


@given(st.sampled_from([name.symbol for name in FIGURE_NAMES.values()]), st.floats(0.01, 50))
def test_what_is_written_is_read(symbol: str, percent: float) -> None:
    (asked,) = parse_wanted(f" {symbol}  {percent:.4f} % ").values()
    assert asked == pytest.approx(percent / 100, abs=1e-6)


@pytest.mark.parametrize(
    ("text", "words"),
    [("HcJ", "per cent"), ("Hc 1 %", "there are Ms, Mr"), ("HcJ 0 %", "between"), ("", "nothing is asked")],
)
def test_what_cannot_be_asked_is_said(text: str, words: str) -> None:
    with pytest.raises(ValueError, match=words):
        parse_wanted(text)


@pytest.mark.costly
def test_the_verb() -> None:
    bench = ["plan", "--bench", str(EXAMPLES / "wp-07-1.toml")]
    after = ["--after", str(EXAMPLES / "wp-07-1.csv")]
    done = CliRunner().invoke(weighloop, [*bench, *after, "--until", "HcJ 3 %, Mr 5 %", "--json"])
    assert done.exit_code == 0, done.output
    told = json.loads(done.stdout)
    assert [line["figure"] for line in told["until"]] == [HcJ, "remanence_A_per_m"]
    assert sum(step["leg"] == 2 for step in told["steps"]) == COUNTS[0]
    both = CliRunner().invoke(weighloop, [*bench, "--until", "HcJ 1 %", "--points", "12"])
    assert both.exit_code == 2
    assert "give one of them" in both.output
