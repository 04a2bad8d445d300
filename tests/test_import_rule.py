"""A room imports only rooms below it, and every room stands in the table.

Held on the source, type-only imports included; ``tests/system/test_fresh_interpreter`` holds it on what
a fresh interpreter loads.
"""

from __future__ import annotations

import ast
from collections import Counter
from collections.abc import Iterator
from functools import cache
from graphlib import TopologicalSorter
from pathlib import Path

import pytest

from tests.support import ROOT

#: What each room may import, from the bottom up. A room is a folder, or a file beside the folders.
#: ``analysis/errors`` is the ground of all four folders: the one root of what is said to a person.
ROOMS: dict[str, set[str]] = {
    "analysis/constants": set(),
    "analysis/errors": set(),
    "analysis/threads": set(),
    "analysis/units": {"analysis/constants"},
    "analysis/records": {"analysis/errors", "analysis/units"},
    "analysis/files": {"analysis/errors", "analysis/records", "analysis/units"},
    "analysis/settling": {"analysis/errors", "analysis/records"},
    "analysis/magnetostatics": {"analysis/constants", "analysis/records", "analysis/units"},
    "analysis/forces": {
        "analysis/constants", "analysis/errors", "analysis/magnetostatics", "analysis/records",
    },
    "analysis/outliers": {
        "analysis/errors", "analysis/forces", "analysis/magnetostatics", "analysis/records",
    },
    "analysis/inversion": {
        "analysis/errors", "analysis/forces", "analysis/magnetostatics", "analysis/records",
    },
    "analysis/figures": {
        "analysis/constants", "analysis/forces", "analysis/inversion", "analysis/magnetostatics",
        "analysis/records", "analysis/units",
    },
    "analysis/results": {
        "analysis/errors", "analysis/figures", "analysis/forces", "analysis/inversion",
        "analysis/magnetostatics", "analysis/outliers", "analysis/records", "analysis/threads",
    },
    "analysis/calibration": {
        "analysis/constants", "analysis/errors", "analysis/files", "analysis/forces",
        "analysis/magnetostatics", "analysis/records", "analysis/units",
    },
    "analysis/planning": {
        "analysis/constants", "analysis/errors", "analysis/figures", "analysis/forces",
        "analysis/magnetostatics", "analysis/records", "analysis/results", "analysis/units",
    },
    "analysis/programmes": {
        "analysis/constants", "analysis/errors", "analysis/figures", "analysis/files", "analysis/forces",
        "analysis/inversion", "analysis/magnetostatics", "analysis/planning", "analysis/records",
        "analysis/threads", "analysis/units",
    },
    "analysis/comparison": {"analysis/figures", "analysis/records", "analysis/results"},
    "analysis/repeated_loop": {"analysis/figures", "analysis/results"},
    "analysis/repeat": {
        "analysis/errors", "analysis/figures", "analysis/magnetostatics", "analysis/records",
        "analysis/repeated_loop", "analysis/results",
    },
    "analysis/interlaboratory": {"analysis/records"},
    "analysis/run_summary": {"analysis/figures", "analysis/records", "analysis/results"},
    "analysis/many_runs": {
        "analysis/comparison", "analysis/figures", "analysis/interlaboratory", "analysis/run_summary",
    },
    "analysis/data_package": {
        "analysis/errors", "analysis/files", "analysis/programmes", "analysis/records", "analysis/results",
    },
    "analysis/report": {
        "analysis/calibration", "analysis/comparison", "analysis/constants", "analysis/errors",
        "analysis/figures", "analysis/magnetostatics", "analysis/many_runs",
        "analysis/programmes", "analysis/records", "analysis/repeat", "analysis/results",
    },
    "analysis/run": {
        "analysis/data_package", "analysis/errors", "analysis/exchange", "analysis/figures", "analysis/files",
        "analysis/programmes", "analysis/records", "analysis/report", "analysis/results", "analysis/units",
    },
    "analysis/exchange": {"analysis/figures", "analysis/records", "analysis/results"},
    "analysis/desk": {
        "analysis/calibration", "analysis/comparison", "analysis/files", "analysis/magnetostatics",
        "analysis/planning", "analysis/records", "analysis/repeat", "analysis/run", "analysis/units",
    },
    "drivers/clock": set(),
    "drivers/device": {"analysis/errors"},
    "drivers/gap_setter": {"drivers/device"},
    "drivers/spacers": {"drivers/device", "drivers/gap_setter"},
    "drivers/current_source": {"drivers/device"},
    "drivers/serial": {"drivers/clock", "drivers/device"},
    "drivers/balance": {"analysis/errors", "drivers/clock", "drivers/device", "drivers/serial"},
    "drivers/lift": {
        "drivers/clock", "drivers/current_source", "drivers/device", "drivers/gap_setter", "drivers/serial",
    },
    # The twin has its own physics, and no code but its own.
    "drivers/twin": set(),
    "daemon/protocol": set(),
    "daemon/paths": set(),
    "daemon/text": set(),
    "daemon/frozen": set(),
    "daemon/zeros": {"daemon/protocol"},
    "daemon/health": set(),
    "daemon/alarms": {"analysis/errors", "analysis/files"},
    "daemon/clock": {"drivers/clock"},
    "daemon/procedure": {
        "analysis/errors", "analysis/files", "analysis/forces", "analysis/planning", "analysis/programmes",
        "analysis/records", "daemon/frozen", "daemon/protocol", "daemon/text", "daemon/zeros",
    },
    "daemon/acquisition": {
        "analysis/records", "analysis/settling", "daemon/clock", "daemon/procedure", "daemon/protocol",
        "daemon/text", "drivers/device",
    },
    "daemon/balance_check": {
        "analysis/settling", "daemon/acquisition", "drivers/balance", "drivers/clock", "drivers/device",
        "drivers/gap_setter", "drivers/lift", "drivers/serial",
    },
    "daemon/store": {
        "analysis/errors", "analysis/files", "analysis/records", "analysis/run", "daemon/clock",
        "daemon/paths", "daemon/procedure", "daemon/protocol", "daemon/text", "daemon/zeros",
    },
    "daemon/control": {
        "analysis/errors", "analysis/files", "analysis/records", "daemon/acquisition", "daemon/clock",
        "daemon/health", "daemon/procedure", "daemon/protocol", "daemon/store", "drivers/balance",
        "drivers/clock", "drivers/device", "drivers/gap_setter", "drivers/lift", "drivers/spacers",
    },
    "daemon/server": {
        "analysis/errors", "analysis/programmes", "daemon/clock", "daemon/control", "daemon/paths",
        "daemon/procedure", "daemon/protocol", "daemon/store", "drivers/device",
    },
    "daemon/single_steps": {"daemon/protocol", "daemon/server"},
    "daemon/simulation": {"analysis/errors", "daemon/protocol", "daemon/server"},
    # Beside the bench's daemon, which does not import it.
    "daemon/lab": {
        "analysis/errors", "analysis/files", "analysis/interlaboratory", "analysis/records",
        "analysis/results", "daemon/procedure", "daemon/protocol", "daemon/server", "daemon/simulation",
        "daemon/store",
    },
    "daemon/store_guard": {
        "daemon/clock", "daemon/health", "daemon/paths", "daemon/procedure", "daemon/store",
    },
    "daemon/service": {
        "analysis/files", "daemon/alarms", "daemon/clock", "daemon/control", "daemon/health",
        "daemon/paths", "daemon/procedure", "daemon/protocol", "daemon/server", "daemon/store",
        "daemon/store_guard", "daemon/text",
    },
    "daemon/self_check": {
        "analysis/errors", "analysis/files", "daemon/health", "daemon/paths", "daemon/server", "daemon/store",
        "drivers/balance", "drivers/device",
    },
    "daemon/__main__": {
        "analysis/errors", "daemon/alarms", "daemon/health", "daemon/paths", "daemon/self_check",
        "daemon/service", "daemon/store",
    },
    "tui/keys": set(),
    "tui/key_queue": set(),
    "tui/bench_form": set(),
    "tui/run_form": {"daemon/protocol", "tui/bench_form", "tui/format"},
    "tui/bench_costs": {"analysis/figures", "analysis/planning", "analysis/programmes", "analysis/records"},
    "tui/state": {
        "analysis/calibration", "analysis/comparison", "analysis/data_package", "analysis/errors",
        "analysis/figures", "analysis/files", "analysis/forces", "analysis/inversion", "analysis/outliers",
        "analysis/programmes", "analysis/records", "analysis/repeat", "analysis/report", "analysis/results",
        "analysis/settling", "daemon/paths", "daemon/protocol", "daemon/server",
        "daemon/store", "daemon/zeros", "tui/bench_costs",
    },
    "tui/format": {"analysis/units", "daemon/protocol", "tui/state"},
    "tui/bench_shifts": {"analysis/figures", "tui/format"},
    "tui/run_words": {"daemon/protocol", "tui/format"},
    "tui/plan_words": {"tui/bench_costs", "tui/format"},
    "tui/figure_words": {"analysis/figures", "analysis/programmes", "tui/format"},
    "tui/web": {"analysis/errors", "daemon/protocol", "daemon/server", "tui/format", "tui/state"},
    "tui/widgets": {"daemon/protocol", "tui/figure_words", "tui/format", "tui/keys", "tui/state"},
    "tui/screens": {
        "analysis/figures", "daemon/protocol", "tui/bench_form", "tui/bench_shifts", "tui/figure_words",
        "tui/bench_costs", "tui/format", "tui/keys", "tui/plan_words", "tui/run_form", "tui/run_words",
        "tui/state", "tui/widgets",
    },
    "tui/app": {"daemon/protocol", "tui/key_queue", "tui/keys", "tui/screens", "tui/state"},
    "tui/cli": {
        "analysis/calibration", "analysis/comparison", "analysis/data_package", "analysis/errors",
        "analysis/figures", "analysis/files", "analysis/forces", "analysis/interlaboratory",
        "analysis/inversion", "analysis/magnetostatics", "analysis/many_runs", "analysis/planning",
        "analysis/programmes",
        "analysis/records", "analysis/repeat", "analysis/report", "analysis/results", "analysis/run_summary",
        "analysis/settling", "analysis/units", "daemon/__main__", "daemon/alarms", "daemon/balance_check",
        "daemon/lab", "daemon/paths", "daemon/protocol", "daemon/server", "daemon/simulation",
        "daemon/store", "tui/app", "tui/bench_costs", "tui/bench_form", "tui/format", "tui/run_words",
        "tui/web",
    },
}  # fmt: skip
FOLDERS = ("analysis", "drivers", "daemon", "tui")
#: Which of the four folders may import which.
FOLDER_RULE = {
    "analysis": {"analysis"},
    "drivers": {"drivers", "analysis"},
    "daemon": {"daemon", "drivers", "analysis"},
    "tui": {"tui", "daemon", "analysis"},
}
#: No folder and no file grows beyond what one takes in at a look.
MOST_FILES, MOST_LINES = 20, 400


def _sources(folder: str) -> Iterator[Path]:
    """The Python files of a folder; not the door ``import weighloop``, which reaches rooms by name."""
    for path in (ROOT / folder).rglob("*.py"):
        if "public_face" not in path.parts:
            yield path.relative_to(ROOT)


def room_of(path: Path) -> str:
    """The room a source file stands in."""
    parts = path.with_suffix("").parts
    return parts[0] if parts[1] == "__init__" else "/".join(parts[:2])


MODULES = {
    path.with_suffix("").parts[: -1 if path.stem == "__init__" else None]: path
    for folder in FOLDERS
    for path in _sources(folder)
}


@cache
def tree_of(path: Path) -> ast.Module:
    """A source file, parsed."""
    return ast.parse((ROOT / path).read_text(encoding="utf-8"))


def imports_of(path: Path) -> set[Path]:
    """The project's files that a source file imports, at any depth in it."""
    found = set()
    for node in ast.walk(tree_of(path)):
        if isinstance(node, ast.Import):
            bare = [a.name for a in node.names if a.name.split(".")[0] in (*FOLDERS, "weighloop")]
            assert not bare, f"{path}: imports {bare} by a bare or absolute name"
        elif isinstance(node, ast.ImportFrom):
            top = (node.module or "").split(".")[0]
            if node.level == 0:
                assert top not in (*FOLDERS, "weighloop"), (
                    f"{path}: imports {node.module} by its absolute name"
                )
                continue
            base = path.parent.parts[: len(path.parent.parts) - node.level + 1]
            base += tuple(node.module.split(".")) if node.module else ()
            found |= {MODULES.get((*base, alias.name)) or MODULES[base] for alias in node.names}
    return found


@pytest.fixture(scope="module")
def graph() -> dict[Path, set[Path]]:
    """What every source file imports."""
    return {path: imports_of(path) for path in MODULES.values()}


def test_every_room_stands_in_the_table(graph: dict[Path, set[Path]]) -> None:
    assert {room_of(path) for path in graph if path.stem != "__init__"} == set(ROOMS)


@pytest.mark.parametrize("room", ROOMS)
def test_a_room_imports_only_what_the_table_allows(room: str, graph: dict[Path, set[Path]]) -> None:
    for path, found in graph.items():
        if room_of(path) == room:
            extra = {room_of(other) for other in found} - ROOMS[room] - {room}
            assert not extra, f"{path} imports {extra}"


def test_no_room_and_no_file_imports_in_a_circle(graph: dict[Path, set[Path]]) -> None:
    tuple(TopologicalSorter(ROOMS).static_order())
    tuple(TopologicalSorter(graph).static_order())
    for room, allowed in ROOMS.items():
        folder = room.split("/")[0]
        assert {other.split("/")[0] for other in allowed} <= FOLDER_RULE[folder], room


def test_no_folder_is_crowded_and_no_file_too_long() -> None:
    sources = [path for folder in (*FOLDERS, "tests") for path in (ROOT / folder).rglob("*.py")]
    for folder, count in Counter(path.parent for path in sources if path.stem != "__init__").items():
        assert count <= MOST_FILES, folder
    for path in sources:
        assert len(path.read_text(encoding="utf-8").splitlines()) <= MOST_LINES, path
