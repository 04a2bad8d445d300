"""The command reference says what the commands say of themselves."""

from __future__ import annotations

from click.testing import CliRunner

from weighloop.tui.cli import VERBS, weighloop
from weighloop.tui.cli.reference import PAGE, reference


def test_the_page_is_the_verbs_own_help() -> None:
    words = "run `python -m weighloop.tui.cli.reference` to make it again"
    assert PAGE.read_text(encoding="utf-8") == reference(), words


def test_every_verb_is_there_as_the_terminal_shows_it() -> None:
    page = PAGE.read_text(encoding="utf-8")
    for words in ([], *([verb] for verb in VERBS), ["runs", "show"], ["runs", "verify"]):
        shown = CliRunner().invoke(weighloop, [*words, "--help"], prog_name="weighloop", terminal_width=100)
        assert f"```text\n{shown.output.rstrip()}\n```" in page, words
