"""The one-way import rule: tui -> daemon -> drivers; tui and daemon -> analysis; nothing else.

Held twice: on the source, and in a fresh interpreter (what a module really pulls in).
"""

from __future__ import annotations

import ast
import subprocess
import sys
from pathlib import Path

import pytest

from tests.support import ROOT

ALLOWED = {
    "analysis": {"analysis"},
    "drivers": {"drivers"},
    "daemon": {"daemon", "drivers", "analysis"},
    "tui": {"tui", "daemon", "analysis"},
}
#: Slow libraries that must not be on the way to these modules.
HEAVY = {"scipy", "pandas", "pint", "magpylib", "matplotlib", "pydantic", "jinja2"}


def _imports(path: Path) -> set[str]:
    """The project's folders a source file imports, relative or absolute."""
    package = path.relative_to(ROOT).parent.parts
    found = set()
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        names: list[str] = []
        if isinstance(node, ast.Import):
            names = [alias.name for alias in node.names]
        elif isinstance(node, ast.ImportFrom) and node.level == 0:
            names = [node.module or ""]
        elif isinstance(node, ast.ImportFrom):
            base = package[: len(package) - node.level + 1]
            tail = (node.module or "").split(".") if node.module else [a.name for a in node.names]
            names = [".".join(("weighloop", *base, *tail))]
        for name in names:
            parts = name.split(".")
            if parts[0] in ALLOWED:
                pytest.fail(f"{path}: imports the bare name {parts[0]}")
            if parts[0] == "weighloop" and len(parts) > 1 and parts[1] in ALLOWED:
                found.add(parts[1])
    return found


@pytest.mark.parametrize("folder", ALLOWED)
def test_source_imports_one_way(folder: str) -> None:
    files = list((ROOT / folder).rglob("*.py"))
    assert files
    for path in files:
        if "public_face" in path.parts:
            continue  # the door itself: it reaches the rooms by name, on demand
        extra = _imports(path) - ALLOWED[folder]
        if folder == "drivers" and "twin" in path.parts:
            assert "analysis" not in extra, f"{path}: the twin has its own physics"
        assert not extra, f"{path} imports {extra}"


def _loaded(module: str) -> set[str]:
    """The modules a fresh interpreter has after importing one."""
    code = f"import sys, {module}; print('\\n'.join(sys.modules))"
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    return set(done.stdout.split())


@pytest.mark.parametrize("folder", ["analysis", "drivers", "daemon"])
def test_fresh_interpreter_loads_one_way(folder: str) -> None:
    modules = [
        ".".join(("weighloop", *path.relative_to(ROOT).with_suffix("").parts)).removesuffix(".__init__")
        for path in (ROOT / folder).rglob("*.py")
        if path.name != "__main__.py"
        and "public_face" not in path.parts
        and "twin" not in path.parts
        and "firmware" not in path.parts
    ]
    loaded = _loaded(", ".join(modules))
    ours = {name.split(".")[1] for name in loaded if name.startswith("weighloop.")}
    assert ours <= ALLOWED[folder]


@pytest.mark.parametrize(
    ("module", "barred"),
    [
        ("weighloop.tui.cli", HEAVY | {"textual", "numpy", "serial"}),
        ("weighloop.daemon.__main__", HEAVY | {"textual"}),
        ("weighloop.tui.app", HEAVY),
        ("weighloop", HEAVY | {"textual", "numpy"}),
    ],
)
def test_nothing_heavy_on_the_way(module: str, barred: set[str]) -> None:
    loaded = {name.split(".")[0] for name in _loaded(module)}
    assert not loaded & barred
