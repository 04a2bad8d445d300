"""README and worked example: what they tell a newcomer to type works, and what they say is so."""

from __future__ import annotations

import inspect
import json
import os
import re
from collections.abc import Iterator
from pathlib import Path
from typing import Any, get_args

import pytest

from tests.support.pages.fenced import TOP, Block, blocks, python, typed
from weighloop.analysis import results as whole
from weighloop.analysis.figures.names import FIGURE_NAMES
from weighloop.analysis.files import bench_tables
from weighloop.analysis.files.bench_file import parse_bench, read_bench
from weighloop.analysis.files.notebook import COLUMNS
from weighloop.analysis.settling.settling_state import Reason
from weighloop.tui.cli import VERBS

README = TOP / "README.md"
EXAMPLE = TOP / "analysis" / "examples" / "README.md"
FILES, RESULTS = TOP / "analysis" / "FILES.md", TOP / "analysis" / "RESULTS.md"
COMMANDS = TOP / "tui" / "cli" / "COMMANDS.md"
TEXT = "\n".join(page.read_text(encoding="utf-8") for page in (README, FILES, RESULTS, COMMANDS))


@pytest.fixture(scope="module", autouse=True)
def analysed_once() -> Iterator[None]:
    """The same readings with the same settings are analysed once for all commands of both pages."""
    results: dict[tuple[Any, ...], Any] = {}
    analyse = whole.analyse

    def once(readings: Any, bench: Any, **settings: Any) -> Any:
        key = (readings.reading.tobytes(), readings.orientation.tobytes(), bench.source_text)
        key += (bench.sample.name, *sorted(settings.items()))
        if key not in results:
            results[key] = analyse(readings, bench, **settings)
        return results[key]

    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(whole, "analyse", once)
        yield


@pytest.fixture
def tree(tmp_path: Path) -> Path:
    """A folder that looks like the top of the source tree, where what is written stays apart."""
    if os.name == "nt":
        pytest.skip("needs symbolic links")
    (tmp_path / "analysis").symlink_to(TOP / "analysis")
    return tmp_path


def run_all(page: Path, tree: Path) -> list[str]:
    printed = []
    for block in blocks(page):
        if block.kind == "" and not block.reason:
            printed += [typed(command, tree) for command in block.lines()]
    return printed


@pytest.mark.slow
def test_readme_commands(tree: Path) -> None:
    printed = "\n".join(run_all(README, tree))
    assert "largest pull" in printed.lower()
    assert "(BH)max" in printed
    assert (tree / "wp-07-1.html").exists()
    assert (tree / "batch.html").exists()


@pytest.mark.slow
def test_example_commands(tree: Path) -> None:
    printed = "\n".join(run_all(EXAMPLE, tree))
    assert "The calibration holds" in printed
    stated, found = (read_bench(tree / name) for name in ("examples/wp-bench.toml", "calibrated.toml"))
    assert found.reference_magnet.remanence.value > stated.reference_magnet.remanence.value
    core = found.reference_magnet.core_excess
    assert core.value > 3 * core.u
    # What the text says comes out does: a slip is named with its row, a bound is said, the discs differ.
    assert "orientation-suspect: row 38" in printed
    assert re.search(r"saturation +Ms +at least", printed)
    assert re.search(r"HcJ, kA/m: row less column.*\n.*\n.*\nWP-07-1 .*±.*\*", printed)
    assert re.search(r"HcJ .* differ .* falls\n", printed)
    figures = json.loads((tree / "wp-07-1-package" / "figures.json").read_text())["figures"]
    remanence, HcJ = (figures[key] for key in ("remanence_A_per_m", "coercivity_HcJ_A_per_m"))
    assert 0.01 <= remanence["u"] / remanence["value"] <= 0.02
    assert HcJ["u"] / HcJ["value"] == pytest.approx(0.01, abs=3e-3)


@pytest.mark.costly
def test_readme_python(tree: Path) -> None:
    (block,) = [b for b in blocks(README) if b.kind == "python"]
    typed("weighloop examples", tree)
    run = python(block.text, tree)["run"]
    assert (tree / "wp-07-1.html").exists()
    assert {"symbol", "value", "u", "unit", "status", "why"} <= set(run.figures().columns)
    assert str(run.figure("HcJ").units) == "kiloampere / meter"


def test_what_is_not_run_says_why() -> None:
    """Only what installs or needs a bench, a terminal or a store is left out."""
    for page in (README, EXAMPLE):
        left = [b for b in blocks(page) if b.reason]
        assert all(re.match("needs a |installs again", b.reason) for b in left)
        for block in left:
            assert not re.search(r"weighloop (demag|field|plan|compare)\b", block.text)


@pytest.mark.parametrize("block", [b for b in blocks(README) if b.reason], ids=lambda b: b.reason)
def test_verbs_and_options_that_are_not_run_exist(block: Block) -> None:
    from click.testing import CliRunner

    from weighloop.tui.cli import weighloop

    for line in block.lines():
        match = re.search(r"weighloop(?:\.exe)? (\w+)(.*)", line)
        if match is None:
            continue
        assert match[1] in VERBS, line
        options = CliRunner().invoke(weighloop, [match[1], "--help"]).output
        for option in re.findall(r"--[\w-]+", match[2]):
            assert option in options, line


def test_the_bench_file_of_the_readme_is_one() -> None:
    (block,) = [b for b in blocks(FILES) if b.kind == "toml"]
    bench = parse_bench(block.text, "README")
    assert bench.sample.name == "WP-07-3"
    assert bench.reference_magnet.pan_load is not None


def test_every_key_of_the_bench_file_is_told() -> None:
    classes = [m for _, m in inspect.getmembers(bench_tables, inspect.isclass)]
    models = [m for m in classes if issubclass(m, bench_tables.TomlTable)]
    keys = {key for model in models for key in model.model_fields}
    assert {key for key in keys if not re.search(rf"\b{key}\b", TEXT)} == set()


def test_columns_verbs_figures_and_codes_are_told() -> None:
    for name in (*COLUMNS, *FIGURE_NAMES, *(f"weighloop {verb}" for verb in VERBS)):
        assert name in TEXT, name
    sources = "\n".join(path.read_text(encoding="utf-8") for path in (TOP / "analysis").rglob("*.py"))
    codes = set(re.findall(r"(?:Finding|about_rows)\(\s*\"([a-z-]+)\"", sources))
    assert len(codes) >= 8
    troubles = (TOP / "hardware_notes" / "TROUBLESHOOTING.md").read_text(encoding="utf-8")
    for code in codes:
        assert f"`{code}`" in TEXT, code
        assert f"`{code}`" in troubles, code
    dialects = [path.stem for path in (TOP / "drivers" / "balance" / "dialects").glob("*.toml")]
    assert len(dialects) >= 4
    for dialect in dialects:
        assert f"`{dialect}`" in TEXT


def test_every_reason_to_wait_is_told() -> None:
    troubles = (TOP / "hardware_notes" / "TROUBLESHOOTING.md").read_text(encoding="utf-8")
    for reason in get_args(Reason):
        assert reason == "accepted" or f"`{reason}`" in troubles, reason


@pytest.mark.costly
def test_the_json_of_the_readme_has_the_real_keys(tree: Path) -> None:
    (block,) = [b for b in blocks(RESULTS) if b.kind == "json"]
    shown = json.loads(block.text)
    real = json.loads(typed("weighloop figures analysis/examples/wp-07-1.csv --json", tree))
    assert set(shown) <= set(real)
    assert set(shown["points"][0]) == set(real["points"][0])
    assert set(shown["figures"]["remanence_A_per_m"]) <= set(real["figures"]["remanence_A_per_m"])
    assert set(real["figures"]) == set(FIGURE_NAMES)
    for key in real:
        assert f'"{key}"' in block.text or f"`{key}`" in TEXT or key == "sample", key


def test_files_a_page_names_exist() -> None:
    """``Code: weighing.py`` and the like on the method page."""
    page = (TOP / "analysis" / "METHOD.md").read_text(encoding="utf-8")
    for name in re.findall(r"`([\w/]+(?:\.py|/))`", page):
        assert (TOP / name).exists() or (TOP / "analysis" / name).exists(), name
