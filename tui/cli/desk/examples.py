"""`weighloop examples`: the worked example's notebooks and bench files."""

from __future__ import annotations

from pathlib import Path

import click

from ..common import json_option, print_json


@click.command("examples")
@click.argument("folder", type=click.Path(path_type=Path, file_okay=False), default=Path("examples"))
@json_option
def command(folder: Path, as_json: bool) -> None:
    """Write the worked example's notebooks and bench files into FOLDER.

    Three reclaimed discs, and one over a night, invented: the bench twin made their readings. What lies there
    is not written over.
    """
    from importlib.resources import files
    from importlib.resources.abc import Traversable

    from ....analysis.errors import Fault, InputError

    written = []

    def write(source: Traversable, target: Path) -> None:
        if source.is_dir():
            target.mkdir(parents=True, exist_ok=True)
            for inside in sorted(source.iterdir(), key=lambda s: s.name):
                write(inside, target / inside.name)
            return
        content = source.read_bytes()
        if target.exists() and target.read_bytes() != content:
            fault = Fault("file", "another one is there already", "the name of a new folder")
            raise InputError(str(target), [fault])
        target.write_bytes(content)
        written.append(str(target))

    write(files("weighloop.analysis").joinpath("examples"), folder)
    print_json({"files": written}) if as_json else print(*written, sep="\n")
