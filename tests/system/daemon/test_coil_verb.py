"""`weighloop coil` against a daemon with the twin: a person whose Enter follows their hands."""

from __future__ import annotations

import io
import json
import time
from pathlib import Path

import pytest
from click.testing import CliRunner, Result

from weighloop.daemon.simulation.rehearsal import Rehearsal
from weighloop.tui.cli import weighloop


class Person(io.RawIOBase):
    """Types a line each time one is read: first does at the bench what the run asks for, then says so."""

    def __init__(self, rehearsal: Rehearsal, most: int = 100, trips: bool = False) -> None:
        """``most`` lines, then they have gone; ``trips``: over the balance's plug, once the coil is on."""
        self.rehearsal, self.left, self.trips = rehearsal, most, trips
        self.client = rehearsal.client()
        self.asked: list[str] = []

    def readable(self) -> bool:
        return True

    def readinto(self, into) -> int:
        if not self.left:
            return 0  # they have gone: the end of the input
        self.left -= 1
        run = self.client.call("snapshot")["run"]
        action = run["action"]
        if run["state"] == "held":
            self.rehearsal.twin.do("plug", port="balance")
            time.sleep(0.2)  # Enter again and again, until the daemon hears the balance
            self.asked.append("held")
        else:
            self.rehearsal._act(run)
            self.asked.append(action["code"])
        if self.trips and action["code"] == "place-sample":
            self.rehearsal.twin.do("unplug", port="balance")
            self.trips = False
        typed = b"\n"
        if action.get("current_A"):  # what their meter shows, a little off what was asked for
            typed = f"{1e3 * action['current_A'] * 1.002:+.3f}\n".encode()
        into[: len(typed)] = typed
        return len(typed)


def weigh(rehearsal: Rehearsal, person: Person, *words: str) -> Result:
    file = rehearsal.twin.places["bench_file"]
    call = ["coil", str(file), "--socket", str(rehearsal.socket), *words]
    return CliRunner().invoke(weighloop, call, input=io.BufferedReader(person))


@pytest.mark.timeout(300)
def test_a_calibration_with_the_lift_is_started_followed_and_written(tmp_path: Path) -> None:
    """The twin's truth lies within three standard uncertainties; the current source needs no hands."""
    output = tmp_path / "calibrated.toml"
    with Rehearsal(tmp_path / "store.sqlite", seed=5, speed=30.0, sample="uneven") as rehearsal:
        person = Person(rehearsal)
        found = weigh(rehearsal, person, "--gaps", "3", "--ends", "1", "-o", str(output), "--json")
        assert found.exit_code == 0, found.output
        again = weigh(rehearsal, Person(rehearsal, most=0), "--check")
        run = person.client.call("snapshot")["run"]
    assert person.asked == ["place-sample"], "the coil is put on once; nothing else is asked for"
    values = json.loads(found.stdout)
    assert abs(values["remanence_T"] - 1.30) < 3 * values["u_remanence_T"]
    assert abs(values["contact_m"] - 1.0e-3) < 3 * values["u_contact_m"]
    assert "[calibration]" in output.read_text(encoding="utf-8")
    # Who leaves ends nothing: the run waits, and the way back is named.
    assert again.exit_code == 1
    assert "run 2 goes on without you" in again.stderr
    assert run["id"] == 2
    assert run["state"] in ("running", "held")


@pytest.mark.timeout(300)
def test_a_scan_finds_the_axis_of_the_twin(tmp_path: Path) -> None:
    """0.4 mm beside the axis along x (the twin's bench file ``uneven``), and again from the store."""
    store = tmp_path / "store.sqlite"
    with Rehearsal(store, seed=5, speed=40.0, sample="uneven") as rehearsal:
        person = Person(rehearsal)
        found = weigh(rehearsal, person, "--scan", "3mm", "--report", str(tmp_path / "axis.html"), "--json")
        assert found.exit_code == 0, found.output
        run = person.client.call("snapshot")["run"]
    assert person.asked == ["place-sample", *["move-seat"] * 6]
    assert {tuple(p["seat_m"]) for p in run["points"]} >= {(3e-3, 0.0), (0.0, -3e-3)}
    at = json.loads(found.stdout)
    assert abs(abs(at["axis_x_m"]) - 0.4e-3) < 3 * at["u_axis_x_m"] < 0.5e-3
    assert abs(at["axis_y_m"]) < 3 * at["u_axis_y_m"] < 0.5e-3
    assert "What it changes" in (tmp_path / "axis.html").read_text(encoding="utf-8")
    words = ("--store", str(store), "--json")
    again = CliRunner().invoke(weighloop, ["calibrate", "1", "--from", "axis", *words])
    assert json.loads(again.stdout) == at
    wrong = CliRunner().invoke(weighloop, ["calibrate", "1", *words])
    assert wrong.exit_code == 1
    assert "moved the coil sideways: calibrate --from axis" in wrong.stderr


@pytest.mark.timeout(300)
def test_a_held_run_is_gone_on_with_by_enter_once_that_is_possible(tmp_path: Path) -> None:
    with Rehearsal(tmp_path / "store.sqlite", seed=5, speed=40.0, sample="uneven") as rehearsal:
        person = Person(rehearsal, most=300, trips=True)
        found = weigh(rehearsal, person, "--check")
        run = person.client.call("snapshot")["run"]
    assert found.exit_code == 0, found.output
    assert "Held: the balance: " in found.stderr
    assert "held" in person.asked
    assert run["state"] == "finished"
    assert {p["set_aside"] for p in run["points"]} == {None}


@pytest.mark.timeout(300)
def test_a_check_by_hand_asks_for_the_current_and_takes_what_the_meter_shows(tmp_path: Path) -> None:
    with Rehearsal(
        tmp_path / "store.sqlite", seed=5, speed=30.0, sample="uneven", ladder="spacers"
    ) as rehearsal:
        person = Person(rehearsal)
        found = weigh(rehearsal, person, "--check", "--current", "40mA")
        run = person.client.call("runs.get", run=1)
    assert run["state"] == "finished", run["why"]
    assert {p["current_A"] for p in run["points"]} == {40.08e-3, -40.08e-3}
    assert person.asked.count("set-current") >= 3, "+, -, +, and off"
    # The twin's magnet is stronger than its file says, and within what the file allows for.
    assert found.exit_code == 0, found.output
    assert "The calibration holds" in found.stdout
