"""`weighloop daemon`: own the serial ports and the store, run procedures, serve clients."""

from __future__ import annotations

import argparse
import sys
from pathlib import Path
from typing import Any

import click

from ....daemon.__main__ import main, parser
from ..common import print_json


def _options() -> list[click.Parameter]:
    """The daemon's own options, as `python -m weighloop.daemon` has them: there is one list."""
    made: list[click.Parameter] = []
    for action in parser()._actions:
        if isinstance(action, argparse._HelpAction) or action.help is argparse.SUPPRESS:
            continue
        text = (action.help or "").strip()
        settings: dict[str, Any] = {"help": text[:1].upper() + text[1:] + "."}
        if action.nargs == 0:
            settings["is_flag"] = True
        else:
            # What a value may be is the daemon's own parser's to say.
            kind = click.Path(path_type=Path) if action.type is Path else str
            metavar = action.metavar or ("NUMBER" if action.type not in (None, Path) else None)
            settings |= {"type": kind, "metavar": metavar}
            settings["multiple"] = isinstance(action, argparse._AppendAction)
        made.append(click.Option(list(action.option_strings), **settings))
    return made


def _run(status: bool, as_json: bool, **given: Any) -> None:
    """Own the serial ports and the store, run procedures, serve clients, until stopped."""
    if status:
        from ....daemon.server.client import Client

        with Client.connect(given["socket"]) as client:
            health = client.call("status")
        print_json(health) if as_json else print("\n".join(f"{k}: {v}" for k, v in health.items()))
        sys.exit(0 if health.get("well", True) else 1)
    arguments: list[str] = []
    for name, value in given.items():
        option = "--" + name.replace("_", "-")
        for one in value if isinstance(value, tuple) else (value,):
            arguments += (
                [] if one is None or one is False else [option] if one is True else [option, str(one)]
            )
    sys.exit(main(arguments))


_STATUS = click.Option(
    ["--status"], is_flag=True, help="Ask the running daemon how it is; exit status 1 when not well."
)
_JSON = click.Option(["--json", "as_json"], is_flag=True, help="Print the result as JSON, in SI units.")
command = click.Command("daemon", callback=_run, params=[*_options(), _STATUS, _JSON], help=_run.__doc__)
