"""Sixty mistakes people make, each tried, and the page that shows what is said of them."""

from __future__ import annotations

from pathlib import Path

import pytest

from tests.support.pages import mistakes


@pytest.mark.parametrize("mistake", mistakes.mistakes(), ids=lambda m: m["did"])
def test_a_mistake_is_answered(mistake: dict, tmp_path: Path) -> None:
    said, status = mistakes.said(mistake, tmp_path)
    assert said == mistake["says"]
    assert status == mistake["status"]


def test_the_page_shows_what_is_said() -> None:
    assert len(mistakes.mistakes()) >= 60
    assert mistakes.PAGE.read_text(encoding="utf-8") == mistakes.page()
