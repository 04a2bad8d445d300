"""The inks of both themes, as all kinds of colour vision see them."""

from __future__ import annotations

from itertools import combinations

import pytest
from rich.color import Color as Ink

from tests.support.screen import colour_vision
from tests.support.screen.screen_driver import stage
from tests.support.screen.scripted_results import result
from tests.tui import test_snapshots
from weighloop.tui import app
from weighloop.tui.screens import figures

INKS = ("primary", "secondary", "foreground", "error")
#: Distance in L*a*b* from which a thin line or a dot is told from another at a glance: several times what is
#: just noticed on a large field (our choice; common practice, no source).
AT_A_GLANCE = 15.0


@pytest.mark.parametrize("vision", colour_vision.SIMULATED)
@pytest.mark.parametrize("theme", ["DARK", "LIGHT"])
def test_inks_stay_apart_and_stand_out_from_the_ground(theme: str, vision: str) -> None:
    """Branches, runs that are compared, what waits for a person and what is at fault; WCAG 2.1, 1.4.3."""
    colours = getattr(app, theme)
    for one, other in combinations(INKS, 2):
        distance = colour_vision.apart(getattr(colours, one), getattr(colours, other), vision)
        assert distance >= AT_A_GLANCE, f"{one} and {other}: {distance:.1f}"
    for ink in INKS:
        assert colour_vision.contrast(getattr(colours, ink), colours.background, vision) >= 4.5, ink


def test_the_simulation_does_what_is_published_of_it() -> None:
    """Greys stay grey (rows of the matrices sum to 1); red and green of a lamp come close for the two that
    lack their cones and stay far apart for the third (what dichromats confuse: textbook knowledge)."""
    for vision, matrix in colour_vision.SIMULATED.items():
        assert matrix.sum(axis=1) == pytest.approx([1.0, 1.0, 1.0], abs=2e-6), vision
    green, brown = "#4a7c2a", "#9a5a2a"
    whole = colour_vision.apart(green, brown, "all colours")
    assert colour_vision.apart(green, brown, "protan") < 0.5 * whole
    assert colour_vision.apart(green, brown, "deutan") < 0.5 * whole
    assert colour_vision.apart(green, brown, "tritan") > 0.7 * whole


def test_distances_are_those_of_the_colour_space() -> None:
    """White is L* 100; sRGB's red is (53.24, 80.09, 67.20) (from IEC 61966-2-1 and CIE 15)."""
    assert colour_vision.lab(colour_vision.of_hex("#ffffff")) == pytest.approx([100.0, 0.0, 0.0], abs=1e-6)
    assert colour_vision.lab(colour_vision.of_hex("#ff0000")) == pytest.approx(
        [53.24, 80.09, 67.20], abs=0.05
    )
    assert colour_vision.contrast("#ffffff", "#000000", "all colours") == pytest.approx(21.0)


@pytest.mark.parametrize("ground", ["0;15", "15;0"], ids=["light", "dark"])
@pytest.mark.parametrize("name", ["run", "run-spacers", "run-held", "run-none", "figures", "bench"])
@pytest.mark.slow
async def test_every_word_of_a_view_can_be_read(
    name: str, ground: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Also what is said quietly: axes, times of the log, hints, units; WCAG 2.1, 1.4.3."""
    monkeypatch.setenv("COLORFGBG", ground)
    monkeypatch.setattr(figures, "analyse_run", result)
    snapshot, steps = test_snapshots.SCREENS[name]
    async with stage(snapshot()) as st:
        await steps(st)
        assert st.app.current_theme.dark is (ground == "15;0")
        words = 0
        for strip in st.app.screen._compositor.render_strips():
            for segment in strip:
                style = segment.style
                if style is None or not any(map(str.isalnum, segment.text)):
                    continue
                assert not style.dim  # what is dim has been mixed with its ground by now
                ink, under = hexadecimal(style.color), hexadecimal(style.bgcolor)
                assert colour_vision.contrast(ink, under, "all colours") >= 4.5, segment.text
                words += 1
        assert words > 20


def hexadecimal(colour: Ink | None) -> str:
    """A colour as it is written to the terminal."""
    assert colour is not None
    return colour.get_truecolor().hex
