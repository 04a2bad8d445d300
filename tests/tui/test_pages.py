"""The phone's page, the monitor's numbers and the dashboard over them, without a server."""

from __future__ import annotations

import json
import os
import re
from pathlib import Path
from typing import Any
from xml.etree import ElementTree

import pytest
from click.testing import CliRunner
from prometheus_client.parser import text_string_to_metric_families

from tests.support.screen.scripted_daemon import live_at, run_at, snapshot
from weighloop.analysis.errors import NotPossible
from weighloop.tui.cli import weighloop
from weighloop.tui.web.bench_link import BenchFacts
from weighloop.tui.web.dashboard import dashboard
from weighloop.tui.web.keys import kept_key
from weighloop.tui.web.metrics import METRICS, exposition
from weighloop.tui.web.phone import PhonePage


def facts(run: Any = None, **status: Any) -> BenchFacts:
    device = {"state": "ready", "why": "", "port": "p", "age_s": 0.1, "lines": 12, "refused": 1}
    known = {
        "well": True,
        "why": "",
        "disk_free_bytes": 5_000_000_000,
        "commit_s": {"median": 0.001, "worst": 0.004, "of": 9},
        "writer_age_s": 0.2,
        "conductor_age_s": 0.01,
        "balance": device,
        "lift": device,
        "planned": [4, 5],
        "alarms_undelivered": 0,
        "clients": 2,
        "raw_let_go": 0,
    }
    return BenchFacts(known | status, snapshot(run, live_at(100.0)))


def numbers(text: bytes) -> dict[str, dict[str, float]]:
    """Value by name and label, as the monitor's own library reads the text."""
    return {
        sample.name: {"".join(s.labels.values()): s.value for s in family.samples}
        for family in text_string_to_metric_families(text.decode())
        for sample in family.samples
    }


def test_a_monitor_reads_every_number() -> None:
    run = run_at(20)
    found = numbers(exposition(facts(run))[0])
    assert set(found) == set(METRICS)
    assert found["weighloop_run_steps_done"][""] == run["steps_done"] > 0
    assert found["weighloop_run_state"] == {
        "planned": 0, "running": 1, "held": 0, "finished": 0, "stopped": 0,
    }  # fmt: skip
    assert found["weighloop_device_refused_lines_total"] == {"balance": 1, "lift": 1}
    assert found["weighloop_runs_planned"][""] == 2


def test_without_a_daemon_or_a_run_there_are_fewer_numbers_and_no_false_ones() -> None:
    assert numbers(exposition(None)[0]) == {"weighloop_up": {"": 0}}
    found = numbers(exposition(facts(None, lift=None, commit_s=None, well=False))[0])
    assert found["weighloop_well"][""] == 0
    assert set(found["weighloop_device_ready"]) == {"balance"}
    assert not any(name.startswith(("weighloop_run_", "weighloop_commit")) for name in found)


def test_the_dashboard_asks_for_numbers_that_are_there() -> None:
    printed = CliRunner().invoke(weighloop, ["service", "dashboard"])
    page = json.loads(printed.stdout)
    assert page == dashboard()
    queries = [target["expr"] for panel in page["panels"] for target in panel["targets"]]
    queries.append(page["templating"]["list"][1]["query"])
    asked = {name for query in queries for name in re.findall(r"weighloop_\w+", query)}
    assert asked
    assert asked <= set(METRICS)
    places = [(p["gridPos"]["x"], p["gridPos"]["y"]) for p in page["panels"]]
    assert len(set(places)) == len(places)
    assert all(p["gridPos"]["x"] + p["gridPos"]["w"] <= 24 for p in page["panels"])  # its grid's width


def test_the_phone_shows_the_run_and_its_loop() -> None:
    run = run_at(20)
    page = PhonePage().html(facts(run), "", "nonce")
    assert run["sample"] in page
    assert "Running; done at about" in page
    picture = ElementTree.fromstring(page[page.index("<svg") : page.index("</svg>") + 6])
    readings = [e for e in picture.iter() if e.tag == "circle"]
    assert len(readings) == sum(point["kind"] == "point" for point in run["points"])
    inside = [0 <= float(e.get("cx", "-1")) <= 340 and 0 <= float(e.get("cy", "-1")) <= 250 for e in readings]
    assert all(inside)


def test_the_phone_says_why_nothing_goes_on() -> None:
    held = {**run_at(20), "state": "held", "why": "the balance: unplugged"}
    page = PhonePage().html(facts(held, well=False, why="run 1 is held"), "", "n")
    assert "Held: the balance: unplugged" in page
    assert "run 1 is held" in page
    assert "No daemon answers" in PhonePage().html(None, "no daemon at daemon.sock", "n")
    assert "No run yet" in PhonePage().html(facts(None), "", "n")


@pytest.mark.parametrize("name", ["<script>alert(1)</script>", '"><img src=x>', "</svg><b>"])
def test_a_name_is_never_more_than_a_name(name: str) -> None:
    page = PhonePage().html(facts({**run_at(4), "sample": name, "why": name}), name, "n")
    assert name not in page


def test_the_watch_key_is_kept_for_its_owner(tmp_path: Path) -> None:
    place = tmp_path / "watch.key"
    key = kept_key(place)
    assert kept_key(place) == key
    assert len(key) == 43  # 256 bits in base64, RFC 4648
    assert place.stat().st_mode & 0o077 == 0 or os.name == "nt"


def test_a_key_that_is_none_is_refused(tmp_path: Path) -> None:
    for number, content in enumerate((b"", b"short\n", b"\xff" * 60, b"a b" * 20)):
        place = tmp_path / str(number)
        place.write_bytes(content)
        place.chmod(0o600)
        with pytest.raises(NotPossible, match=str(number)):
            kept_key(place)
    with pytest.raises(NotPossible):
        kept_key(tmp_path / "no" / "folder")


@pytest.mark.skipif(os.name == "nt", reason="the rights of a file are others there")
def test_a_key_that_others_can_read_is_refused(tmp_path: Path) -> None:
    place = tmp_path / "open.key"
    kept_key(place)
    place.chmod(0o644)
    with pytest.raises(NotPossible, match="chmod 600"):
        kept_key(place)
