"""What a module really pulls in: only its own side of the import rule, and no slow library on the way."""

from __future__ import annotations

import subprocess
import sys

import pytest

from tests.support import EXAMPLES
from tests.test_import_rule import FOLDER_RULE, MODULES

#: Slow libraries that must not be on the way to these modules.
HEAVY = {"scipy", "pandas", "pint", "magpylib", "matplotlib", "pydantic", "jinja2"}


def _loaded(module: str) -> set[str]:
    """The modules a fresh interpreter has after importing one."""
    code = f"import sys, {module}; print('\\n'.join(sys.modules))"
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    return set(done.stdout.split())


@pytest.mark.parametrize("folder", ["analysis", "drivers", "daemon"])
def test_fresh_interpreter_loads_one_way(folder: str) -> None:
    modules = [
        ".".join(("weighloop", *parts))
        for parts, path in MODULES.items()
        if parts[0] == folder and path.name != "__main__.py" and "twin" not in parts
    ]
    loaded = _loaded(", ".join(modules))
    ours = {name.split(".")[1] for name in loaded if name.startswith("weighloop.")}
    assert ours <= FOLDER_RULE[folder]


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


def test_a_usual_bench_file_is_read_without_pint() -> None:
    """What a daemon, a screen and each command begin with."""
    read = (
        f"weighloop.analysis.files.bench_file as f; f.read_bench(f.Path({str(EXAMPLES / 'wp-07-1.toml')!r}))"
    )
    assert "pint" not in {name.split(".")[0] for name in _loaded(read)}
