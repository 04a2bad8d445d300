"""The daemon's options in both calls, the alarm's test verb, and what is written for the system."""

from __future__ import annotations

import configparser
import json
import sys
from pathlib import Path

import click
import pytest
from click.testing import CliRunner

from weighloop.daemon.__main__ import parser
from weighloop.drivers.serial.identity import PortIdentity
from weighloop.tui.cli import VERBS, weighloop


def call(*words: str):
    return CliRunner().invoke(weighloop, words)


def test_the_daemon_has_one_list_of_options() -> None:
    own = {option for action in parser()._actions for option in action.option_strings}
    printed = call("daemon", "--help").output
    assert all(option in printed for option in own)
    assert "--alarm" in own


def test_an_alarm_can_be_tried(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("weighloop.daemon.paths.alarm_file", lambda: tmp_path / "alarms.conf")
    assert "no target is named" in call("alarm").output
    (tmp_path / "alarms.conf").write_text(f"{sys.executable} -c 'import sys; sys.stdin.read()'\n")
    done = call("alarm")
    assert done.exit_code == 0
    assert "delivered" in done.output
    failed = call("alarm", "--to", "no-such-program-anywhere", "--json")
    assert failed.exit_code == 1
    assert json.loads(failed.stdout)[0]["delivered"] is False
    assert "did you mean 'held'" in call("alarm", "--kind", "hold").output


def test_the_unit_is_one_systemd_reads(tmp_path: Path) -> None:
    done = call("service", "unit", "-o", str(tmp_path / "w.service"))
    assert done.exit_code == 0
    assert "systemctl --user" in done.output
    unit = configparser.ConfigParser()
    unit.optionxform = str  # type: ignore[assignment]
    unit.read(tmp_path / "w.service")
    assert unit["Service"]["Type"] == "notify"
    assert "weighloop.daemon" in unit["Service"]["ExecStart"]
    assert "no such file" in call("service", "unit", "--bench", str(tmp_path / "none.toml")).output


def test_a_udev_rule_names_the_ports_that_are_there(monkeypatch: pytest.MonkeyPatch) -> None:
    identity = str(PortIdentity(0x0403, 0x6001, "A9"))
    there = {"device": "/dev/ttyUSB0", "stable_name": None, "identity": identity, "description": "serial"}
    monkeypatch.setattr("weighloop.daemon.balance_check.port_lines", lambda: [there])
    rule = call("service", "udev").stdout
    assert 'ATTRS{idVendor}=="0403"' in rule
    assert 'ATTRS{serial}=="A9"' in rule
    assert 'SYMLINK+="weighloop1"' in rule


def test_the_man_page_and_the_completion_know_every_verb() -> None:
    page = call("service", "man").stdout
    assert all(f".SS {verb}" in page for verb in VERBS)
    assert "_WEIGHLOOP_COMPLETE" in call("service", "completion").stdout
    assert isinstance(weighloop, click.Group)
