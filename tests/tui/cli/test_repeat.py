"""Several loops of one sample on the command line: figures, report, and what is said where that cannot be."""

from __future__ import annotations

import json
from pathlib import Path

import pytest
from click.testing import CliRunner, Result

from tests.support import EXAMPLES
from tests.support.many_notebooks import write_notebooks
from weighloop.tui.cli import weighloop

BENCH = str(EXAMPLES / "wp-07-1.toml")


def call(*words: str) -> Result:
    return CliRunner().invoke(weighloop, words)


@pytest.fixture(scope="module")
def notebooks(tmp_path_factory: pytest.TempPathFactory) -> list[str]:
    """Four loops of one disc, whose pulls differ by 1 %."""
    return [str(path) for path in write_notebooks(tmp_path_factory.mktemp("loops"), 4, seed=2)]


def quick(*words: str) -> Result:
    return call(*words, "--bench", BENCH, "--method", "mean", "--trials", "100")


@pytest.mark.costly
def test_figures_of_several_loops(notebooks: list[str]) -> None:
    """The pulls were spread by 1 % (``write_notebooks``), and so is Mr; no temperature was noted."""
    result = quick("figures", *notebooks, "--json")
    assert result.exit_code == 0, result.output
    data = json.loads(result.stdout)
    assert data["gives"] == "repeat"
    Mr = data["repeatability"][0]
    assert Mr["figure"] == "remanence_A_per_m"
    assert Mr["loops"] == 4
    assert 0.003 < Mr["scatter"] / Mr["mean"] < 0.03
    assert all(c["status"] == "not determined" for c in data["temperature_coefficients"])
    assert "noted in 0 of 4 loops" in data["temperature_coefficients"][0]["why"]
    shown = quick("figures", *notebooks).stdout
    assert "alpha(HcJ): not determined" in shown


@pytest.mark.costly
def test_report_of_several_loops(notebooks: list[str], tmp_path: Path) -> None:
    page = tmp_path / "repeat.html"
    result = quick("report", *notebooks, "-o", str(page))
    assert result.exit_code == 0, result.output
    assert "4 loops against temperature and time" in page.read_text(encoding="utf-8")


def test_samples_that_differ_are_no_repeat(notebooks: list[str]) -> None:
    """Each notebook's own bench file has another sample."""
    result = call("figures", *notebooks, "--trials", "100")
    assert result.exit_code != 0
    assert "loops of one sample; `weighloop compare` takes several" in result.output


def test_several_inputs_of_another_programme(notebooks: list[str]) -> None:
    result = quick("figures", *notebooks, "--programme", "recoil")
    assert result.exit_code == 2
    assert "one INPUT is read off for recoil" in result.output


def test_one_loop_is_no_repeat(notebooks: list[str]) -> None:
    result = quick("figures", notebooks[0], "--programme", "repeat")
    assert result.exit_code == 1
    assert "loops of one sample: 1; a repeat needs 3 or more" in result.output
