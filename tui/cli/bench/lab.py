"""`weighloop lab`: several benches and one archive."""

from __future__ import annotations

import logging
import signal
import sys
import threading
from collections.abc import Callable, Sequence
from dataclasses import asdict
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from ..common import SEED, OneOf, json_option, like, note, print_json, significant, store_option, table
from .service import user_unit

if TYPE_CHECKING:
    from ....analysis.figures.names import FigureName
    from ....analysis.interlaboratory import AssignedValue, BenchScore

_BROKER = [
    click.option(
        "--broker", default="127.0.0.1:1883", show_default=True, metavar="HOST:PORT", help="The MQTT broker."
    ),
    click.option("--user", help="The name to give the broker."),
    click.option(
        "--password-file", type=click.Path(path_type=Path), help="Its first line is the password there."
    ),
    click.option(
        "--ca",
        type=click.Path(path_type=Path),
        help="TLS: the authority that signed the broker's certificate.",
    ),
]
_database = click.option(
    "--database",
    envvar="WEIGHLOOP_ARCHIVE",
    default="dbname=weighloop",
    show_default=True,
    metavar="CONNINFO",
    help="The archive in PostgreSQL, such as 'host=lab dbname=weighloop'; also WEIGHLOOP_ARCHIVE.",
)


def _with_broker(verb: Callable[..., Any]) -> Callable[..., Any]:
    for option in reversed(_BROKER):
        verb = option(verb)
    return verb


def _address(broker: str, user: str | None, password_file: Path | None, ca: Path | None) -> Any:
    from ....daemon.lab.broker import BrokerAddress

    host, _, port = broker.rpartition(":")
    if not (host and port.isascii() and port.isdigit() and 0 < int(port) < 65536):
        raise click.BadParameter(f"{broker!r} is not such as 127.0.0.1:1883", param_hint="--broker")
    if user is not None and ca is None and host not in ("127.0.0.1", "localhost", "[::1]"):
        note("without --ca the password goes over the network for all to read")
    return BrokerAddress(host.strip("[]"), int(port), user, password_file, ca)


_unit = click.option(
    "--unit", is_flag=True, help="Print a systemd user unit that makes this same call, and end."
)


def _print_unit(about: str) -> None:
    """The unit of the call as it was typed, but for ``--unit``."""
    words = [word for word in sys.argv[1:] if word != "--unit"]
    print(user_unit(about, [sys.executable, "-m", "weighloop.tui.cli", *words], ""), end="")
    note("# belongs in ~/.config/systemd/user/; paths in it should be absolute")


def _until_stopped(work: Callable[[threading.Event], None]) -> None:
    """Work until a signal ends it, in order."""
    logging.basicConfig(level=logging.INFO, format="%(levelname)s: %(message)s", stream=sys.stderr)
    stop = threading.Event()
    for name in (signal.SIGTERM, signal.SIGINT):
        signal.signal(name, lambda *_: stop.set())
    work(stop)


@click.group("lab")
def command() -> None:
    """Several benches and one archive: copies of the benches' stores, figures of all of them.

    Needs `pip install weighloop[lab]`, an MQTT broker and PostgreSQL; no bench waits for any of them.
    """


@command.command("forward")
@click.option("--bench", "bench", required=True, metavar="NAME", help="This bench's name in the lab.")
@store_option
@_with_broker
@click.option(
    "--live",
    type=click.Path(path_type=Path),
    metavar="SOCKET",
    help="Show the live values of the daemon at this socket once a second, for dashboards.",
)
@click.option("--once", is_flag=True, help="End when the archive has everything.")
@_unit
def forward(
    bench: str, store_path: Path | None, live: Path | None, once: bool, unit: bool, **broker: Any
) -> None:
    """Copy this bench's store to the archive, beside its daemon, until stopped.

    The store is opened read only. With the broker or the archive away it waits, and goes on where the
    archive is.
    """
    from ....daemon.lab.forwarder import Forwarder
    from ....daemon.lab.messages import check_name
    from ....daemon.paths import store_file

    try:
        check_name(bench)
    except ValueError as error:
        raise click.BadParameter(str(error), param_hint="--bench") from None
    if unit:
        _print_unit(f"copies the store of {bench} to the lab's archive")
        return
    forwarder = Forwarder(store_path or store_file(), bench, _address(**broker), live)
    _until_stopped(lambda stop: forwarder.run(stop, once=once))
    note(f"rows sent {forwarder.published}, of these again {forwarder.again}")


@command.command("archive")
@_database
@_with_broker
@_unit
def archive(database: str, unit: bool, **broker: Any) -> None:
    """Take what the benches send into the archive, until stopped; makes and migrates its tables."""
    from ....daemon.lab.archive import Archive
    from ....daemon.lab.archivist import Archivist

    address = _address(**broker)
    if unit:
        _print_unit("the lab's archive of all benches")
        return
    with Archive(database) as opened:  # at the start a database that is not there is a mistake
        opened.migrate()
    _until_stopped(Archivist(database, address).run)


@command.command("reanalyse")
@_database
@click.option("--scheduler", metavar="ADDRESS", help="A running dask scheduler, such as tcp://lab:8786.")
@click.option(
    "--workers",
    type=click.IntRange(1, 1000),
    help="Without a scheduler: processes here; one a core by default.",
)
@click.option("--method", type=OneOf(["finite", "mean"]), default="finite", show_default=True)
@click.option("--trials", type=click.IntRange(100, 1_000_000), default=10_000, show_default=True)
@click.option("--seed", type=SEED, default=1, show_default=True, help="Of the Monte Carlo trials.")
@json_option
def reanalyse_runs(
    database: str,
    scheduler: str | None,
    workers: int | None,
    method: str,
    trials: int,
    seed: int,
    as_json: bool,
) -> None:
    """Figures of every ended run in the archive that has none yet by these settings and this version.

    The same as `weighloop figures` gives at the bench. They go into the archive; what is there stays.
    """
    from ....daemon.lab.archive import Archive
    from ....daemon.lab.reanalysis import Settings, reanalyse

    with Archive(database) as opened:
        opened.migrate()
        done = reanalyse(opened, Settings(method, trials, seed), scheduler=scheduler, workers=workers)
    rows = [(one.run.course.bench, one.run.run, one.figures, one.why) for one in done]
    if as_json:
        print_json([dict(zip(("bench", "run", "figures", "why"), row, strict=True)) for row in rows])
    elif rows:
        print(table(["bench", "run", "figures", "why none"], [[*map(str, r[:3]), r[3] or ""] for r in rows]))
    else:
        print("Every ended run in the archive has its figures already.")
    if any(why for *_, why in rows):
        sys.exit(1)


@command.command("biases")
@click.argument("sample")
@_database
@click.option(
    "--figure",
    "figures",
    multiple=True,
    metavar="FIGURE",
    help="Its key in the JSON of figures; more than once. By default Mr, HcJ and (BH)max.",
)
@click.option(
    "--assigned",
    metavar="VALUE",
    help="The figure's value from a certificate, such as '114 kA/m +/- 1 kA/m'; else the benches' consensus.",
)
@json_option
def biases(sample: str, database: str, figures: tuple[str, ...], assigned: str | None, as_json: bool) -> None:
    """Each bench's bias, from the figures in the archive of a sample that was weighed on all of them.

    The consensus is the robust average of ISO 13528; z is in units of the benches' robust spread, zeta in
    units of the stated uncertainties.
    """
    from ....analysis.errors import NotPossible
    from ....analysis.figures.names import FIGURE_NAMES
    from ....daemon.lab.archive import Archive
    from ....daemon.lab.bench_bias import FIGURES, bench_biases

    wanted = figures or FIGURES
    if unknown := [name for name in wanted if name not in FIGURE_NAMES]:
        raise click.BadParameter(
            f"{unknown[0]!r} is none of {', '.join(FIGURE_NAMES)}", param_hint="--figure"
        )
    value = None
    if assigned is not None:
        if len(wanted) != 1:
            raise click.UsageError("an assigned value is of one figure: name it with --figure")
        value = _assigned(assigned, FIGURE_NAMES[wanted[0]])
    with Archive(database) as opened:
        opened.migrate()
        found = bench_biases(opened.figures_of_sample(sample), wanted, value)
    if not found:
        raise NotPossible(
            f"no figure of {sample!r} was measured on two benches or more;"
            " `weighloop lab reanalyse` makes them"
        )
    if as_json:
        print_json(
            {
                name: {"assigned": asdict(against), "benches": [asdict(one) for one in scored]}
                for name, (against, scored) in found.items()
            }
        )
        return
    print("\n\n".join(_scores(FIGURE_NAMES[name], *those) for name, those in found.items()))


def _assigned(text: str, name: FigureName) -> AssignedValue:
    """A value with its uncertainty as it is typed, in SI."""
    from ....analysis.interlaboratory import AssignedValue
    from ....analysis.units import NotAQuantity, parse_measured

    unit, one = name.si
    try:
        read = parse_measured(text, unit.translate({ord("³"): "^3", ord("²"): "^2", ord("·"): "*"}))
    except NotAQuantity as error:
        raise click.BadParameter(str(error), param_hint="--assigned") from None
    return AssignedValue(read.value * one, read.u * one, 0.0, consensus=False)


def _scores(name: FigureName, against: AssignedValue, scored: Sequence[BenchScore]) -> str:
    """One figure's scores as a table, with what they are against."""
    unit = name.unit()
    value, u, spread = (name.shown(v) for v in (against.value, against.u, against.spread))
    source = f"consensus of {len(scored)} benches" if against.consensus else "assigned"
    head = f"{name.words} {name.printed}, {source}: {like(value, u)} {unit}, u {significant(u, 2)} {unit}"
    head += f", robust spread {significant(spread, 2)} {unit}" if against.consensus else ""
    rows = []
    for one in scored:
        value, u, bias, u_bias = (name.shown(v) for v in (one.value, one.u, one.bias, one.u_bias))
        numbers = [like(value, u), significant(u, 2), like(bias, u_bias), significant(u_bias, 2)]
        rows.append([one.bench, *numbers, f"{one.z:.1f}", f"{one.zeta:.1f}", one.verdict])
    return f"{head}\n{table(['bench', 'value', 'u', 'bias', 'u of bias', 'z', 'zeta', 'verdict'], rows)}"
