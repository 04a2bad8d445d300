"""The `weighloop` command: one file a verb or family of verbs.

Only this table is read for `--help`; a verb's own module is imported when it is called, so
that the help comes at once.
"""

from __future__ import annotations

import importlib
import io
import os
import sys
from typing import Any

import click

# The matrices here are small and many: threads cost more than they bring, half as much again on two cores.
# To be said before numpy is first imported.
for _name in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS"):
    os.environ.setdefault(_name, "1")

#: Verb: the module that has it (a command of the same name) and its line in the help.
VERBS: dict[str, tuple[str, str]] = {
    "demo": ("bench.demo", "Run one whole loop on the bench twin: weigh, analyse, report."),
    "daemon": ("bench.daemon", "Own the serial ports and the store, run procedures, serve clients."),
    "tui": ("bench.screen", "Show the terminal screen of a daemon."),
    "bench": ("bench.bench", "Make a bench file by questions, or check one."),
    "alarm": ("bench.alarm", "Try whether alarms arrive."),
    "service": ("bench.service", "Write the system's unit, udev rule, completion and man page."),
    "steady": ("bench.steady", "Check how steady the balance is."),
    "ports": ("bench.ports", "List serial ports; find out what a balance speaks."),
    "examples": ("desk.examples", "Write the worked example's notebooks and bench files."),
    "plan": ("desk.plan", "Make the gap ladder for wanted fields, in history-safe order."),
    "field": ("desk.field", "The reference magnet's field and gradient at given gaps."),
    "demag": ("desk.demag", "Demagnetising factor of a sample shape."),
    "calibrate": (
        "desk.calibrate",
        "Fit the reference magnet from coil, probe, standard or pair readings.",
    ),
    "substitute": ("desk.substitute", "A sample's magnetisation by the ratio of its pull to a coil's."),
    "settle": ("desk.settle", "Run the settling filter over a recorded stream."),
    "figures": ("desk.figures", "Loop figures of a run or of a notebook, with their uncertainty."),
    "report": ("desk.report", "Write the report of one run: one self-contained HTML file."),
    "compare": ("desk.compare", "Put several runs or notebooks side by side."),
    "export": ("desk.export", "Write a run as an open data package."),
    "runs": ("bench.runs", "List the runs in the store; show one; verify the store."),
    "coil": ("bench.coil", "Weigh the coil on the daemon: a calibration of the bench, or its check."),
    "night": ("bench.night", "Start a list of runs that needs nobody; the page of what became of it."),
    "lab": ("bench.lab", "Several benches, one archive: forward, archive, analyse again."),
    "twin": ("bench.twin", "Serve the virtual balance and lift on pseudo-terminals."),
}


class _NotDone(click.ClickException):
    """The job could not be done; click shows it and leaves with ``exit_code`` 1."""

    def show(self, file: Any = None) -> None:
        click.echo(f"weighloop: {self.format_message()}", err=True)


class _Verbs(click.Group):
    """A group that knows its verbs from the table and imports one only to run it."""

    def list_commands(self, ctx: click.Context) -> list[str]:
        return list(VERBS)

    def get_command(self, ctx: click.Context, cmd_name: str) -> click.Command | None:
        if cmd_name not in VERBS:
            return None
        module = importlib.import_module(f".{VERBS[cmd_name][0]}", __package__)
        return module.command

    def resolve_command(self, ctx: click.Context, args: list[str]) -> Any:
        """As ever, and a verb that is not one is answered by the nearest that is."""
        if args and args[0] not in VERBS and not args[0].startswith("-"):
            from ...analysis.errors import nearest

            ctx.fail(f"there is no verb {args[0]!r}; {nearest(args[0], VERBS, most=len(VERBS))}")
        return super().resolve_command(ctx, args)

    def invoke(self, ctx: click.Context) -> object:
        """Run a verb; what goes wrong in it is one reason on standard error and exit status 1."""
        try:
            return super().invoke(ctx)
        except (click.ClickException, click.exceptions.Exit, click.Abort, BrokenPipeError):
            raise
        except Exception as error:
            if os.environ.get("WEIGHLOOP_TRACEBACK"):
                raise
            raise _NotDone(_reason(error)) from None

    def format_commands(self, ctx: click.Context, formatter: click.HelpFormatter) -> None:
        with formatter.section("Verbs"):
            formatter.write_dl([(name, line) for name, (_, line) in VERBS.items()])


@click.group(cls=_Verbs, context_settings={"help_option_names": ["-h", "--help"], "max_content_width": 100})
@click.version_option(package_name="weighloop", message="weighloop %(version)s")
def weighloop() -> None:
    """Weigh a magnet's hysteresis loop with a laboratory balance."""


def main() -> None:
    """Run the command line: exit status 0 done, 1 not possible, 2 the call itself is wrong."""
    if isinstance(sys.stdout, io.TextIOWrapper):
        sys.stdout.reconfigure(errors="backslashreplace")  # a file may have a name that is no text
    weighloop(prog_name="weighloop")


def _reason(error: Exception) -> str:
    """The error in words: ours speak for themselves, others are named as unforeseen."""
    from ...analysis.errors import WeighloopError, missing_extra

    if isinstance(error, WeighloopError):
        return str(error)
    if isinstance(error, ModuleNotFoundError) and (sentence := missing_extra(error)):
        return sentence
    if isinstance(error, OSError):
        return f"{error.filename}: {error.strerror}" if error.filename else str(error)
    return (
        f"something unforeseen went wrong ({type(error).__name__}: {error}); nothing stored was changed. "
        "WEIGHLOOP_TRACEBACK=1 shows where it happened."
    )
