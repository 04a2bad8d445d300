"""Each room's settings say of every group of numbers where it comes from, and what they name is there."""

from __future__ import annotations

import re
from importlib.util import find_spec
from pathlib import Path

import pytest

from tests.support import ROOT

TABLES = sorted(
    path.relative_to(ROOT) for top in ("analysis", "daemon") for path in ROOT.glob(f"{top}/*/settings.py")
)


@pytest.mark.parametrize("path", TABLES, ids=str)
def test_every_group_of_numbers_has_its_row(path: Path) -> None:
    page, code = (ROOT / path).read_text(encoding="utf-8").split('"""', 2)[1:]
    rows = re.findall(r"^\| (.+?) \| (.+?) \| (.+?) \|$", page, re.MULTILINE)[2:]
    assert rows
    assert [group for group, _, _ in rows] == re.findall(r"^# -- (.+?) -+$", code, re.MULTILINE)
    for group, _, script in rows:
        for name in re.findall(r"`(tests[^`]+)`", script):
            found = (ROOT / name).exists() if "/" in name else find_spec(name) is not None
            assert found, (group, name)
