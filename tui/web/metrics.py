"""Numbers for a monitor, in the text format of Prometheus (its own library writes it; extra ``lab``)."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any, Final, get_args

from ...analysis.errors import NotPossible
from ...daemon.protocol import RunState
from .bench_link import BenchFacts

#: Name (unit last, as the format's own rules want it), what it is, and the label that tells several apart.
METRICS: Final[dict[str, tuple[str, str]]] = {
    "weighloop_up": ("Whether the daemon answers.", ""),
    "weighloop_well": ("Whether the daemon finds nothing wrong with itself, its devices and its run.", ""),
    "weighloop_disk_free_bytes": ("Free space beside the store.", ""),
    "weighloop_commit_median_seconds": ("Time of a commit to the store, median of the last ones.", ""),
    "weighloop_commit_worst_seconds": ("Time of a commit to the store, worst of the last ones.", ""),
    "weighloop_store_wait_seconds": ("How long the oldest entry has waited to be written.", ""),
    "weighloop_loop_age_seconds": ("Time since the daemon's own loop last turned.", ""),
    "weighloop_device_ready": ("Whether the device answers sensibly.", "device"),
    "weighloop_device_age_seconds": ("Age of the device's last sensible word.", "device"),
    "weighloop_device_lines_total": ("Lines the device has sent.", "device"),
    "weighloop_device_refused_lines_total": ("Lines of the device that were refused.", "device"),
    "weighloop_reading_grams": ("The balance's reading now.", ""),
    "weighloop_run_number": ("The run under way, or the last one.", ""),
    "weighloop_run_state": ("1 for the state the run is in.", "state"),
    "weighloop_run_steps": ("Steps of the run's plan.", ""),
    "weighloop_run_steps_done": ("Steps of the run that are done.", ""),
    "weighloop_run_left_seconds": ("Time to the run's end, as far as it is known.", ""),
    "weighloop_run_readings": ("Readings of the run, zeros not counted.", ""),
    "weighloop_run_set_aside": ("Readings of the run that were set aside.", ""),
    "weighloop_runs_planned": ("Runs that wait for their start.", ""),
    "weighloop_alarms_undelivered": ("Alarms that nobody has received yet.", ""),
    "weighloop_clients": ("Clients of the daemon.", ""),
    "weighloop_raw_readings_dropped_total": ("Raw readings not kept, for want of room.", ""),
}

Samples = Iterator[tuple[str, str, float | None]]


def samples(facts: BenchFacts | None) -> Samples:
    """Name, label and value of each; no value where the bench does not say. ``facts`` None: no daemon."""
    yield "weighloop_up", "", float(facts is not None)
    if facts is None:
        return
    status, snapshot = facts
    yield "weighloop_well", "", float(status["well"])
    yield "weighloop_disk_free_bytes", "", status["disk_free_bytes"]
    commits = status["commit_s"] or {}
    yield "weighloop_commit_median_seconds", "", commits.get("median")
    yield "weighloop_commit_worst_seconds", "", commits.get("worst")
    yield "weighloop_store_wait_seconds", "", status["writer_age_s"]
    yield "weighloop_loop_age_seconds", "", status["conductor_age_s"]
    for name in ("balance", "lift"):
        device = status[name]
        if device is not None:
            yield "weighloop_device_ready", name, float(device["state"] == "ready")
            yield "weighloop_device_age_seconds", name, device["age_s"]
            yield "weighloop_device_lines_total", name, device["lines"]
            yield "weighloop_device_refused_lines_total", name, device["refused"]
    live = snapshot["live"]
    if live is not None and live["reading_kg"] is not None:
        yield "weighloop_reading_grams", "", live["reading_kg"] * 1e3
    yield from _of_the_run(snapshot["run"])
    yield "weighloop_runs_planned", "", len(status["planned"])
    yield "weighloop_alarms_undelivered", "", status["alarms_undelivered"]
    yield "weighloop_clients", "", status["clients"]
    yield "weighloop_raw_readings_dropped_total", "", status["raw_let_go"]


def _of_the_run(run: Any) -> Samples:
    if run is None:
        return
    yield "weighloop_run_number", "", run["id"]
    for state in get_args(RunState):
        yield "weighloop_run_state", state, float(run["state"] == state)
    yield "weighloop_run_steps", "", len(run["steps"])
    yield "weighloop_run_steps_done", "", run["steps_done"]
    yield "weighloop_run_left_seconds", "", run["seconds_left"]
    readings = [point for point in run["points"] if point["kind"] == "point"]
    yield "weighloop_run_readings", "", len(readings)
    yield "weighloop_run_set_aside", "", sum(point["set_aside"] is not None for point in readings)


def exposition(facts: BenchFacts | None) -> tuple[bytes, str]:
    """The text of all metrics, and its content type. Raises NotPossible without the library."""
    try:
        from prometheus_client import CONTENT_TYPE_LATEST, CollectorRegistry, generate_latest
        from prometheus_client.core import CounterMetricFamily, GaugeMetricFamily, Metric
        from prometheus_client.registry import Collector
    except ImportError:
        raise NotPossible("numbers for a monitor need `pip install weighloop[lab]`") from None

    class Numbers(Collector):
        def collect(self) -> Iterator[Metric]:
            families: dict[str, Any] = {}
            for name, label, value in samples(facts):
                if value is None:
                    continue
                if name not in families:
                    about, label_name = METRICS[name]
                    kind = CounterMetricFamily if name.endswith("_total") else GaugeMetricFamily
                    families[name] = kind(name, about, labels=[label_name] if label_name else None)
                families[name].add_metric([label] if label else [], float(value))
            yield from families.values()

    registry = CollectorRegistry(auto_describe=False)
    registry.register(Numbers())
    return generate_latest(registry), CONTENT_TYPE_LATEST
