"""`weighloop service`: what a bench needs of its system, written from the code."""

from __future__ import annotations

import json
import re
import shlex
import sys
from collections.abc import Callable, Sequence
from pathlib import Path

import click

from ....daemon.__main__ import main as daemon_main
from ..common import note

#: A port's identity as ``ports`` shows it: vendor, product and the serial number, where it has one.
_USB = re.compile(r"USB ([0-9a-f]{4}):([0-9a-f]{4})(?:.*?number (.+))?")


def user_unit(about: str, words: Sequence[str], more: str) -> str:
    """A systemd user unit that runs ``words`` and starts them again after a fault.

    ``more``: further lines of its service.
    """
    return f"""[Unit]
Description=Weighloop: {about}
After=local-fs.target

[Service]
ExecStart={" ".join(shlex.quote(word).replace("%", "%%") for word in words)}
Restart=on-failure
RestartSec=5
{more}
[Install]
WantedBy=default.target
"""


def _unit(bench: Path | None) -> str:
    """Of the daemon; its watchdog restarts one that stands still."""
    words = [sys.executable, "-m", daemon_main.__module__.removesuffix(".__main__")]
    words += ["--bench", str(bench.absolute())] if bench else []
    more = """Type=notify
WatchdogSec=60
# The lift goes to its far end before the daemon ends.
TimeoutStopSec=60
"""
    return user_unit("owns balance, lift and store of one bench", words, more)


def _dashboard(bench: Path | None) -> str:
    """The dashboard of `weighloop tui --web`'s numbers."""
    from ...web.dashboard import dashboard

    return json.dumps(dashboard(), indent=1) + "\n"


def _udev(bench: Path | None) -> str:
    """A rule for each port that is plugged in now: a name that stays, and access for the group dialout."""
    from ....daemon.balance_check import port_lines

    rules = []
    for number, port in enumerate((p for p in port_lines() if p["identity"]), start=1):
        usb = _USB.match(str(port["identity"]))
        if usb is None:
            continue
        match = f'ATTRS{{idVendor}}=="{usb[1]}", ATTRS{{idProduct}}=="{usb[2]}"'
        match += f', ATTRS{{serial}}=="{usb[3]}"' if usb[3] else ""
        rules.append(f"# {port['device']}: {port['description']}")
        rules.append(f'SUBSYSTEM=="tty", {match}, SYMLINK+="weighloop{number}", GROUP="dialout", MODE="0660"')
    if not rules:
        rules = [
            "# No USB serial port is plugged in now; plug in balance and lift and write this again.",
            '# SUBSYSTEM=="tty", ATTRS{idVendor}=="0403", ATTRS{idProduct}=="6001", SYMLINK+="weighloop1"',
        ]
    return "\n".join(rules) + "\n"


def _completion(bench: Path | None) -> str:
    from click.shell_completion import BashComplete

    from .. import weighloop

    return BashComplete(weighloop, {}, "weighloop", "_WEIGHLOOP_COMPLETE").source()


def _man(bench: Path | None) -> str:
    """A man page (groff), from the verbs' own help."""
    from importlib.metadata import version

    from .. import VERBS, weighloop

    def text(words: str) -> str:
        lines = words.replace("\\", "\\e").replace("-", "\\-").splitlines()
        return "\n".join("\\&" + line if line.startswith((".", "'")) else line for line in lines)

    # With the group's own settings: click keeps the help option it makes here for good.
    top = click.Context(weighloop, info_name="weighloop", **weighloop.context_settings)
    parts = [
        f'.TH WEIGHLOOP 1 "" "weighloop {version("weighloop")}"',
        ".SH NAME\nweighloop \\- weigh a magnet's hysteresis loop with a laboratory balance",
        ".SH SYNOPSIS\n.B weighloop\n.I VERB\n[options]",
        ".SH VERBS",
    ]
    for verb, (_, line) in VERBS.items():
        parts.append(f".SS {text(verb)}\n{text(line)}")
        verb_command = weighloop.get_command(top, verb)
        assert verb_command is not None
        context = click.Context(verb_command, info_name=verb, parent=top)
        for parameter in verb_command.get_params(context):
            record = parameter.get_help_record(context)
            if record is not None:
                parts.append(f".TP\n.B {text(record[0])}\n{text(record[1])}")
    parts.append(".SH EXIT STATUS\n0 done; 1 the job could not be done; 2 the call itself is wrong.")
    return "\n".join(parts) + "\n"


#: What can be written: how, where it belongs, and what to do with it then.
_KINDS: dict[str, tuple[Callable[[Path | None], str], str, str]] = {
    "unit": (
        _unit,
        "~/.config/systemd/user/weighloop.service",
        "systemctl --user enable --now weighloop; loginctl enable-linger lets it run without a login",
    ),
    "udev": (
        _udev,
        "/etc/udev/rules.d/60-weighloop.rules",
        "needs root: copy it there, then udevadm control --reload; udevadm trigger",
    ),
    "completion": (
        _completion,
        "~/.local/share/bash-completion/completions/weighloop",
        "open a new shell (bash)",
    ),
    "dashboard": (
        _dashboard,
        "~/weighloop-dashboard.json",
        "import the file in Grafana, whose Prometheus reads /metrics of `weighloop tui --web`",
    ),
    "man": (_man, "~/.local/share/man/man1/weighloop.1", "man weighloop"),
}


@click.command("service")
@click.argument("what", type=click.Choice(list(_KINDS)))
@click.option("--bench", type=click.Path(path_type=Path), help="The bench file of the unit.")
@click.option("--write", is_flag=True, help="Write it where it belongs, not to standard output.")
@click.option("-o", "--output", type=click.Path(path_type=Path), help="Write it there.")
def command(what: str, bench: Path | None, write: bool, output: Path | None) -> None:
    """Print or write what the system needs: a systemd user unit, a udev rule for stable port names, the shell
    completion, a man page, a dashboard for a monitor. All are made from the code, for this machine."""
    make, place, then = _KINDS[what]
    if bench is not None:
        from ..inputs import bench_of

        bench_of(bench)  # a unit with a wrong bench file would start and start again
    text = make(bench)
    if not write and output is None:
        print(text, end="")
        note(f"# belongs in {place}; then: {then}")
        return
    path = output or Path(place).expanduser()
    path.parent.mkdir(parents=True, exist_ok=True)
    path.write_text(text, encoding="utf-8")
    print(f"Wrote {path}. Then: {then}.")
