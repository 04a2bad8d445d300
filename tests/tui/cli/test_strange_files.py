"""Files no bench has, a hundred and more of them: each is refused in words that name it, none is believed.

What is promised is checked from outside: exit status, one reason on standard error, nothing on standard
output, nothing written.
"""

from __future__ import annotations

import os
from pathlib import Path

import pytest
from click.testing import CliRunner

from tests.support import EXAMPLES
from tests.support.strange_files import NOTEBOOK, Case, cases
from weighloop.tui.cli import weighloop

CASES = list(cases())
pytestmark = pytest.mark.skipif(os.name == "nt", reason="needs pipes and links")


def test_there_are_a_hundred_and_more() -> None:
    assert len(CASES) > 150
    assert len({(case.kind, case.name) for case in CASES}) == len(CASES)


@pytest.mark.parametrize("case", CASES, ids=lambda case: f"{case.kind}: {case.name}")
def test_a_strange_file_is_refused_in_words(
    case: Case, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    path = tmp_path / "input" / ("x.toml" if case.kind == "dialect" else "x")
    path.parent.mkdir()
    case.make(path)
    folder = tmp_path / "here"
    folder.mkdir()
    monkeypatch.chdir(folder)
    monkeypatch.delenv("TEXTUAL_DRIVER", raising=False)
    result = CliRunner().invoke(weighloop, [word.format(x=path) for word in case.verb])
    said = result.stderr
    assert result.exit_code in (1, 2), result.output
    assert not result.stdout
    assert "unforeseen" not in said
    assert "Traceback" not in said
    assert case.words.format(x=path) in said
    assert len(said) < 5000
    assert list(folder.iterdir()) == []


def run(*words: str) -> tuple[int, str, str]:
    result = CliRunner().invoke(weighloop, words)
    return result.exit_code, result.stdout, result.stderr


def test_export_writes_over_nobodys_folder_and_follows_no_link(tmp_path: Path) -> None:
    notebook = str(EXAMPLES / "wp-07-1.csv")
    quick = ("--method", "mean", "--trials", "100")
    mine, elsewhere = tmp_path / "mine", tmp_path / "elsewhere"
    mine.mkdir()
    elsewhere.mkdir()
    (mine / "readings.csv").symlink_to(elsewhere / "precious")
    (mine / "figures.json").write_text("mine")
    code, _, said = run("export", notebook, str(mine), *quick)
    assert (code, "not an empty folder" in said) == (1, True), said
    assert (mine / "figures.json").read_text() == "mine"
    assert list(elsewhere.iterdir()) == []
    (tmp_path / "link").symlink_to(elsewhere)
    code, _, said = run("export", notebook, str(tmp_path / "link"), *quick)
    assert (code, "a link" in said) == (1, True), said
    assert list(elsewhere.iterdir()) == []
    assert run("export", notebook, str(elsewhere), *quick)[0] == 0  # an empty one is as good as a new one
    assert (elsewhere / "datapackage.json").is_file()
    assert sorted(path.name for path in tmp_path.iterdir()) == ["elsewhere", "link", "mine"]


@pytest.mark.costly
def test_a_report_goes_through_no_link(tmp_path: Path) -> None:
    precious = tmp_path / "precious"
    precious.write_text("mine")
    page = tmp_path / "page.html"
    for name in ("page.html", "page.html.part"):
        (tmp_path / name).symlink_to(precious)
    assert (
        run("report", str(EXAMPLES / "wp-07-1.csv"), "-o", str(page), "--method", "mean", "--trials", "100")[
            0
        ]
        == 0
    )
    assert precious.read_text() == "mine"
    assert page.read_text(encoding="utf-8").startswith("<!doctype html>")


def test_junk_in_a_folder_is_named_and_passed_over(tmp_path: Path) -> None:
    for name in ("a", "b"):
        (tmp_path / f"{name}.csv").write_text(NOTEBOOK, encoding="utf-8")
        (tmp_path / f"{name}.toml").write_text((EXAMPLES / "wp-07-1.toml").read_text(), encoding="utf-8")
    (tmp_path / "._a.csv").write_bytes(b"\0\5\x16\7" + bytes(200))
    (tmp_path / "log.csv").write_text("when,what\n1,2\n")
    (tmp_path / "noise.csv").write_bytes(bytes(range(256)))
    (tmp_path / "folder.csv").mkdir()
    (tmp_path / "gone.csv").symlink_to(tmp_path / "nowhere")
    os.mkfifo(tmp_path / "pipe.csv")
    code, out, said = run("compare", str(tmp_path), "--method", "mean", "--trials", "100")
    assert code == 0, said
    assert "HcJ" in out
    passed = {"._a.csv", "log.csv", "noise.csv", "folder.csv", "gone.csv", "pipe.csv"}
    assert {
        line.split(": passed over")[0].rsplit("/", 1)[-1]
        for line in said.splitlines()
        if "passed over" in line
    } == passed


def test_a_notebook_with_a_fault_in_a_folder_is_not_passed_over(tmp_path: Path) -> None:
    for name, content in (("a", NOTEBOOK), ("b", NOTEBOOK.replace("orientation", "orientaton"))):
        (tmp_path / f"{name}.csv").write_text(content, encoding="utf-8")
        (tmp_path / f"{name}.toml").write_text((EXAMPLES / "wp-07-1.toml").read_text(), encoding="utf-8")
    code, _, said = run("compare", str(tmp_path), "--method", "mean", "--trials", "100")
    assert code == 1
    assert "orientaton" in said
