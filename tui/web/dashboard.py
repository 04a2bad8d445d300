"""A dashboard for Grafana over the numbers of one bench or several, as a file to import there."""

from __future__ import annotations

from typing import Any, Final

#: Title, query and unit of each panel, in Grafana's own words for units; ``$bench`` is chosen on the page.
PANELS: Final[list[tuple[str, str, str]]] = [
    ("The daemon answers", 'weighloop_up{instance=~"$bench"}', "bool_yes_no"),
    ("All is well", 'weighloop_well{instance=~"$bench"}', "bool_yes_no"),
    ("State of the run", 'weighloop_run_state{instance=~"$bench"} == 1', "none"),
    (
        "Run done",
        'weighloop_run_steps_done{instance=~"$bench"} / weighloop_run_steps{instance=~"$bench"}',
        "percentunit",
    ),
    ("Time to the run's end", 'weighloop_run_left_seconds{instance=~"$bench"}', "s"),
    ("Readings set aside", 'weighloop_run_set_aside{instance=~"$bench"}', "none"),
    ("Reading", 'weighloop_reading_grams{instance=~"$bench"}', "massg"),
    ("Devices ready", 'weighloop_device_ready{instance=~"$bench"}', "bool_yes_no"),
    ("Refused lines", 'rate(weighloop_device_refused_lines_total{instance=~"$bench"}[5m])', "ops"),
    ("Worst commit", 'weighloop_commit_worst_seconds{instance=~"$bench"}', "s"),
    ("Free disk", 'weighloop_disk_free_bytes{instance=~"$bench"}', "bytes"),
    ("Alarms nobody received", 'weighloop_alarms_undelivered{instance=~"$bench"}', "none"),
]
#: Panels beside each other, of a page 24 wide; and how high one is.
ACROSS, HIGH = 3, 7


def dashboard() -> dict[str, Any]:
    """The file's content. The source of data and the benches are chosen when it is imported and looked at."""
    source = {"type": "prometheus", "uid": "${source}"}
    wide = 24 // ACROSS
    panels = [
        {
            "id": number + 1,
            "type": "timeseries",
            "title": title,
            "datasource": source,
            "gridPos": {
                "x": number % ACROSS * wide,
                "y": number // ACROSS * HIGH,
                "w": wide,
                "h": HIGH,
            },
            "fieldConfig": {"defaults": {"unit": unit}, "overrides": []},
            "targets": [{"refId": "A", "expr": query, "datasource": source}],
        }
        for number, (title, query, unit) in enumerate(PANELS)
    ]
    choices = [
        {"name": "source", "type": "datasource", "query": "prometheus", "label": "source of data"},
        {
            "name": "bench",
            "type": "query",
            "datasource": source,
            "query": "label_values(weighloop_up, instance)",
            "refresh": 2,
            "multi": True,
            "includeAll": True,
        },
    ]
    return {
        "title": "Weighloop benches",
        "uid": "weighloop-benches",
        "schemaVersion": 39,
        "refresh": "10s",
        "time": {"from": "now-12h", "to": "now"},
        "templating": {"list": choices},
        "panels": panels,
    }
