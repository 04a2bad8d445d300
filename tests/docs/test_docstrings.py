"""The examples in the docstrings of what scripts use, run as a reader would run them."""

from __future__ import annotations

import doctest
from importlib import import_module
from pathlib import Path

import pytest

from tests.support import ROOT


@pytest.mark.parametrize("module", ["desk", "run"])
def test_the_examples_give_what_they_say(
    module: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    (tmp_path / "analysis").symlink_to(ROOT / "analysis")
    monkeypatch.chdir(tmp_path)
    failed, tried = doctest.testmod(import_module(f"weighloop.analysis.{module}"))
    assert tried
    assert not failed
