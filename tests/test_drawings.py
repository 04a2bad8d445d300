"""The pictures of the hardware notes are what their script draws."""

from __future__ import annotations

import importlib.util
import re
import sys
from xml.etree import ElementTree

import pytest

from tests.support import ROOT

DRAWINGS = ROOT / "hardware_notes" / "drawings"
NUMBER = re.compile(r"-?\d+(?:\.\d+)?")


@pytest.fixture(scope="module")
def pictures() -> dict[str, str]:
    spec = importlib.util.spec_from_file_location("drawings_draw", DRAWINGS / "draw.py")
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    before = list(sys.path)
    spec.loader.exec_module(module)
    sys.path[:] = before
    return {name: str(draw()) for name, draw in module.PICTURES.items()}


def test_they_are_up_to_date(pictures: dict[str, str]) -> None:
    """Words and shapes the same, numbers to a tenth of a pixel: another machine may round the last one."""
    assert {path.name for path in DRAWINGS.glob("*.svg")} == set(pictures)
    for name, drawn in pictures.items():
        kept = (DRAWINGS / name).read_text(encoding="utf-8")
        assert NUMBER.sub("#", drawn) == NUMBER.sub("#", kept), f"{name}: run hardware_notes/drawings/draw.py"
        numbers = [[float(n) for n in NUMBER.findall(text)] for text in (drawn, kept)]
        assert numbers[0] == pytest.approx(numbers[1], abs=0.11), name


def test_nothing_sticks_out(pictures: dict[str, str]) -> None:
    """Every text lies inside its picture, taking 0.6 of its size as a letter's width (a common sans face)."""
    for name, drawn in pictures.items():
        root = ElementTree.fromstring(drawn)
        _, _, width, height = map(float, root.attrib["viewBox"].split())
        for text in root.iter("{http://www.w3.org/2000/svg}text"):
            x, y = float(text.attrib["x"]), float(text.attrib["y"])
            long = 0.6 * float(text.attrib["font-size"]) * len(text.text or "")
            left = {"start": x, "middle": x - long / 2, "end": x - long}[text.attrib["text-anchor"]]
            assert left >= 0, (name, text.text)
            assert left + long <= width, (name, text.text)
            assert 0 < y < height, (name, text.text)
