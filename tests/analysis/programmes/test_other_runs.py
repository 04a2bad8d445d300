"""Runs of a loop's sample that are counted with it: odds, words, and which runs may not be.

The odds are Bayes' theorem: prior odds times the likelihood ratio of each independent run.
"""

from __future__ import annotations

import json
import shutil
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from click.testing import CliRunner

import weighloop
from tests.support import EXAMPLES
from tests.support.models import programme_slips as P
from tests.support.models.runs import LAYERED, bench_of, points_of, weighed
from weighloop.analysis.data_package import write_package
from weighloop.analysis.errors import InputError
from weighloop.analysis.files.bench_file import read_bench
from weighloop.analysis.files.notebook import read_notebook
from weighloop.analysis.inversion.invert import invert
from weighloop.analysis.inversion.loop import OtherRun
from weighloop.analysis.programmes.other_runs import descending_branch, other_runs
from weighloop.analysis.programmes.results import analyse_programme
from weighloop.tui.cli import weighloop as command


def told(shape: float, part: float) -> OtherRun:
    return OtherRun("run 13", "recoil", 80, 1.0, {"shape": shape, "part": part})


@pytest.mark.costly
def test_odds_of_the_hypotheses_are_multiplied_by_each_other_run() -> None:
    run = weighed(LAYERED)
    points, bench = points_of(run, seed=1), bench_of(LAYERED.magnet, LAYERED.pellet)

    def odds(*others: OtherRun) -> float:
        found = invert(points, bench, forced="hysteron density", others=others)
        assert all(other.said in found.why for other in others)
        return found.evidence["weight_shape"] / found.evidence["weight_part"]

    # As far from certain as it takes for both to be kept.
    level = told(1.0, 1.0)
    alone = invert(points, bench, forced="hysteron density")
    by = alone.evidence["objective_part"] / alone.evidence["objective_shape"]
    even = told(min(by**-2, 1.0), min(by**2, 1.0))
    first = odds(even)
    assert odds(even, level) == pytest.approx(first)
    assert odds(even, told(1.0, 0.5)) == pytest.approx(2.0 * first)
    assert odds(even, told(0.5, 1.0)) == pytest.approx(0.5 * first)


@pytest.mark.costly
def test_a_run_of_the_sample_says_how_likely_its_readings_are() -> None:
    (found,) = other_runs(P.bench(), [("run 13", P.clean("recoil"), P.bench())])
    assert (found.source, found.gives) == ("run 13", "recoil")
    assert set(found.likelihood) == {"shape", "part"}
    assert max(found.likelihood.values()) == 1.0
    assert found.misfit < 4.0


def test_a_decay_cannot_be_counted() -> None:
    with pytest.raises(InputError, match="a decay in one field"):
        other_runs(P.bench(), [("run 13", P.clean("decay"), P.bench())])


@pytest.mark.costly
def test_figures_with_another_run_say_that_it_was_counted(tmp_path: Path) -> None:
    loop, beside = str(EXAMPLES / "wp-07-1.csv"), tmp_path / "again.csv"
    shutil.copy(loop, beside)  # no bench file of its own: it goes by the loop's
    quick = ("--trials", "100")
    alone = CliRunner().invoke(command, ["figures", loop, *quick, "--method", "mean", "--json"])
    both = CliRunner().invoke(command, ["figures", loop, "--with", str(beside), *quick, "--json"])
    assert both.exit_code == 0, both.output
    found = json.loads(both.output)
    assert "with" not in json.loads(alone.output)
    (counted,) = found["with"]
    assert (counted["source"], counted["gives"], counted["used"]) == (str(beside), "loop", 108)
    assert "again.csv of the same sample (108 readings) was counted" in found["method"]["why"]
    run = weighloop.read_notebook(loop)
    result = run.analysed_with(trials=100, with_=[run]).result
    assert result.others[0].likelihood == counted["likelihood"]


def test_a_run_of_another_sample_is_refused() -> None:
    loop, other = (str(EXAMPLES / f"wp-07-{k}.csv") for k in (1, 2))
    result = CliRunner().invoke(command, ["figures", loop, "--with", other])
    assert result.exit_code == 1
    assert "expected a run of the loop's own sample, 'WP-07-1'" in result.stderr


def test_with_goes_with_one_loop() -> None:
    loop = str(EXAMPLES / "wp-07-1.csv")
    for words in (["figures", loop, "--programme", "recoil"], ["report", loop, loop]):
        result = CliRunner().invoke(command, [*words, "--with", loop])
        assert result.exit_code == 2
        assert "--with goes with" in result.stderr


@pytest.mark.parametrize("name", ["recoil", "reversal"])
def test_the_branch_of_another_programme_is_the_material_s(name: str) -> None:
    """The second model's own, led through the same internal fields after the run's largest."""
    H, M = descending_branch(f"the {name} run", P.clean(name), P.bench())
    true = P.led(P.MATERIAL, [H.max(), *H[::-1]])[:0:-1]
    assert np.interp(0.0, M, H) == pytest.approx(np.interp(0.0, true, H), rel=0.03)
    assert pytest.approx(true, abs=0.1 * true.max()) == M


def test_a_decay_has_no_branch() -> None:
    with pytest.raises(InputError, match="a loop, or a recoil, remanence or reversal run"):
        descending_branch("run 4", P.clean("decay"), P.bench())


@pytest.mark.costly
def test_a_plan_may_follow_a_recoil_run(tmp_path: Path) -> None:
    bench, notebook = (EXAMPLES / "overnight" / name for name in ("wp-11-4.toml", "wp-11-4-recoil.csv"))
    read = read_bench(bench)
    readings = replace(read_notebook(notebook, read), gives="recoil")
    package = write_package(analyse_programme(readings, read, draws=20), tmp_path / "recoil").parent
    said = CliRunner().invoke(command, ["plan", "--bench", str(bench), "--after", str(package)])
    assert said.exit_code == 0, said.output
    assert "expected of the sample measured before" in said.stdout
