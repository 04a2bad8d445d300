"""What the product imports it declares: a dependency of a dependency may go away any day."""

from __future__ import annotations

import ast
import re
import sys
import tomllib
from importlib.metadata import distribution

from tests.support import ROOT

PROJECT = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["project"]
#: The product's extras; the others are the developers'.
EXTRAS = ("report", "desk", "alarm", "lab")


def imported() -> dict[str, str]:
    """Top-level module: a file that imports it."""
    found: dict[str, str] = {}
    for folder in ("analysis", "daemon", "drivers", "tui"):
        for path in (ROOT / folder).rglob("*.py"):
            for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
                names = [alias.name for alias in node.names] if isinstance(node, ast.Import) else []
                if isinstance(node, ast.ImportFrom) and not node.level and node.module:
                    names = [node.module]
                found |= {name.partition(".")[0]: str(path.relative_to(ROOT)) for name in names}
    return found


def provided(name: str) -> set[str]:
    """The top-level modules of an installed distribution."""
    found = distribution(name)
    said = (found.read_text("top_level.txt") or "").split()
    return set(said) or {file.parts[0].partition(".")[0] for file in found.files or ()}


def test_every_import_is_declared() -> None:
    extras = [line for extra in EXTRAS for line in PROJECT["optional-dependencies"][extra]]
    declared = [re.split(r"[\[<>=; ]", line)[0] for line in (*PROJECT["dependencies"], *extras)]
    known = set().union(*map(provided, declared), sys.stdlib_module_names, {"weighloop"})
    assert {module: path for module, path in imported().items() if module not in known} == {}
