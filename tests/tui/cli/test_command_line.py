"""The command line as its users call it: verbs, exit status, JSON, words for faults."""

from __future__ import annotations

import json
from pathlib import Path

import pytest
from click.testing import CliRunner, Result

from weighloop.tui.cli import VERBS, weighloop

BENCH = """
[reference_magnet]
shape = "cylinder"
diameter = "20 mm"
height = "10 mm"
remanence = "1.32 T +/- 0.02 T"
pan_load = "180 g"

[sample]
name = "WP-07-3"
shape = "cylinder"
diameter = "6.00 mm +/- 0.02 mm"
height = "3.00 mm +/- 0.02 mm"

[gap]
contact = "1.00 mm +/- 0.05 mm"
ladder = "spacers"
spacer = "1.00 mm +/- 0.02 mm"
spacers = 30

[balance]
resolution = "1 mg"
capacity = "220 g"
"""


@pytest.fixture
def bench(tmp_path: Path) -> str:
    path = tmp_path / "bench.toml"
    path.write_text(BENCH)
    return str(path)


def call(*words: str) -> Result:
    return CliRunner().invoke(weighloop, words)


def test_help_names_every_verb_in_a_line() -> None:
    out = call("--help").output
    for verb, (_, line) in VERBS.items():
        assert f"  {verb} " in out
        assert line.split()[0] in out


@pytest.mark.parametrize("verb", VERBS)
def test_every_verb_has_help(verb: str) -> None:
    result = call(verb, "--help")
    assert result.exit_code == 0
    assert "Usage: " in result.output


def test_demag_json_has_the_contracts_keys() -> None:
    result = call("demag", "--shape", "cylinder", "--diameter", "6mm", "--height", "3mm", "--json")
    found = json.loads(result.output)
    assert set(found) >= {"N_axial", "N_transverse", "method"}
    # L/D = 0.5: magnetometric factor by three routes, see the published checks of demag.
    assert found["N_axial"] == pytest.approx(0.474489975748, abs=1e-9)


def test_field_json(bench: str) -> None:
    result = call("field", "--bench", bench, "--gap", "5mm", "--gap", "1 cm", "--json")
    found = json.loads(result.output)
    keys = {"gap_m", "B_axis_T", "gradient_axis_T_per_m", "B_mean_T", "gradient_mean_T_per_m"}
    assert [set(line) for line in found] == [keys, keys]
    assert found[1]["gap_m"] == pytest.approx(0.01)
    # On the axis at the sample's centre, 6.5 mm above the face: closed form of a uniformly
    # magnetised cylinder, (Br/2)[(L+z)/sqrt(R^2+(L+z)^2) - z/sqrt(R^2+z^2)], any textbook of magnetostatics.
    z, R, L = 6.5e-3, 10e-3, 10e-3
    B = 0.66 * ((L + z) / (R**2 + (L + z) ** 2) ** 0.5 - z / (R**2 + z**2) ** 0.5)
    assert found[0]["B_axis_T"] == pytest.approx(B, rel=1e-9)


def test_plan_is_history_safe_and_json(bench: str) -> None:
    result = call("plan", "--bench", bench, "--points", "10", "--json")
    steps = json.loads(result.stdout)
    assert {"step", "gap_m", "spacers", "orientation", "H_applied_A_per_m"} <= set(steps[0])
    assert [s["step"] for s in steps] == list(range(1, len(steps) + 1))
    assert {s["orientation"] for s in steps} == {1, -1}
    # On the descending branch (out after the first way in, then turned and in) the field only falls.
    closest = min(range(len(steps)), key=lambda i: (steps[i]["gap_m"], i))
    farthest_negative = min(range(len(steps)), key=lambda i: steps[i]["H_applied_A_per_m"])
    fields = [s["H_applied_A_per_m"] for s in steps[closest : farthest_negative + 1]]
    assert fields == sorted(fields, reverse=True)


@pytest.mark.parametrize("kind", ["file", "folder"])
@pytest.mark.parametrize("verb", [("steady", "--port"), ("ports", "--listen")], ids=["steady", "ports"])
def test_what_is_no_serial_port_is_told_at_once(tmp_path: Path, kind: str, verb: tuple[str, str]) -> None:
    place = tmp_path / "port"
    place.mkdir() if kind == "folder" else place.write_text("12.3 g\n")
    result = call(*verb, str(place))  # `steady` would listen until Ctrl-C
    assert result.exit_code == 1
    assert not result.stdout
    (line,) = result.stderr.strip().splitlines()[-1:]
    assert f"{place} " in line
    assert f"a {kind}, not a serial port; `weighloop ports` lists those that are" in line
    assert "ioctl" not in result.stderr


@pytest.mark.parametrize(
    ("words", "status", "said"),
    [
        (["plan", "--bench", "nowhere.toml"], 1, "readable bench file"),
        (["figures", "nowhere.csv", "--bench", "nowhere.toml"], 1, "nowhere"),
        (["demag", "--shape", "cylinder", "--diameter", "6mm"], 2, "height"),
        (["field"], 2, "--bench"),
        (["settle", "nowhere.csv", "--resolution", "1mg"], 1, "nowhere.csv"),
        (["runs", "--store", "nowhere.sqlite"], 1, "no store"),
    ],
)
def test_faults_have_a_status_and_one_paragraph(words: list[str], status: int, said: str) -> None:
    """As `system/test_exit_status.py` sees it of a process."""
    done = call(*words)
    assert done.exit_code == status
    assert isinstance(done.exception, SystemExit)
    assert said in done.stderr
    assert not done.stdout
