"""DEVELOPERS.md: every function, file and folder it names is there."""

from __future__ import annotations

import ast
import re
from pathlib import Path

from tests.support import ROOT
from tests.test_import_rule import ROOMS, tree_of

PAGE = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8")


def section(title: str) -> str:
    return PAGE.split(f"## {title}\n", 1)[1].split("\n## ", 1)[0]


def rows(text: str) -> list[list[str]]:
    table = [line for line in text.splitlines() if line.startswith("| ")]
    return [[cell.strip() for cell in line.strip("|").split("|")] for line in table[2:]]


def names_in(path: str) -> set[str]:
    found = set()
    for node in ast.walk(tree_of(Path(path))):
        if isinstance(node, ast.FunctionDef | ast.AsyncFunctionDef | ast.ClassDef):
            found.add(node.name)
        if isinstance(node, ast.ClassDef):
            found |= {f"{node.name}.{each.name}" for each in node.body if isinstance(each, ast.FunctionDef)}
    return found


def test_the_functions_on_the_two_ways_are_in_the_files_named() -> None:
    for title in ("The way of one reading", "The way of one figure"):
        for _, functions, files in rows(section(title)):
            there = set[str]().union(*(names_in(path) for path in re.findall(r"`([^`]+)`", files)))
            missing = set(re.findall(r"`([^`]+)`", functions)) - there
            assert not missing, (title, missing)


def test_the_rooms_named_are_rooms_and_none_is_missing() -> None:
    named = {name for cells in rows(section("Map")) for name in re.findall(r"`(\w+/\w+)`", cells[0])}
    folders = {room for room in ROOMS if (ROOT / room).is_dir()}
    assert named == folders


def test_each_of_the_ten_changes_lands_in_one_folder() -> None:
    changes = rows(section("Where a change lands"))
    assert len(changes) == 10
    for _, folder in changes:
        assert (ROOT / folder.strip("`")).is_dir(), folder
