"""The command reference, made from the verbs' own help: `python -m weighloop.tui.cli.reference`."""

from __future__ import annotations

from pathlib import Path

import click

from . import weighloop

#: The page stands in the source tree, also where this file is a link to it.
PAGE = Path(__file__).resolve().with_name("COMMANDS.md")
_WIDTH = 100
_INTRODUCTION = """# Commands

Made from `--help` by `python -m weighloop.tui.cli.reference`; a test holds the two equal.

Every verb that prints a result takes `--json`. Exit status: 0 done; 1 the job could not be done, with the
reason on standard error; 2 the call itself is wrong. Lengths, masses and times are written with their unit
(`5mm`, `"20 mg"`, `60s`). What the inputs and results mean is in the [README](../../README.md).
"""


def reference() -> str:
    """The page as text: one section a verb, its help in a block."""
    settings = weighloop.context_settings
    top = click.Context(weighloop, info_name="weighloop", terminal_width=_WIDTH, **settings)
    parts = [_INTRODUCTION, _block(top)]
    for verb in weighloop.list_commands(top):
        parts += _section(verb, top, "##")
    return "\n".join(parts)


def _section(name: str, parent: click.Context, heading: str) -> list[str]:
    group = parent.command
    assert isinstance(group, click.Group)
    command = group.get_command(parent, name)
    assert command is not None
    context = click.Context(command, info_name=name, parent=parent, terminal_width=_WIDTH)
    parts = [f"{heading} {context.command_path}\n", _block(context)]
    if isinstance(command, click.Group):
        for below in command.list_commands(context):
            parts += _section(below, context, heading + "#")
    return parts


def _block(context: click.Context) -> str:
    return f"```text\n{context.get_help()}\n```\n"


if __name__ == "__main__":
    PAGE.write_text(reference(), encoding="utf-8")
