"""What the product imports it declares: a dependency of a dependency may go away any day."""

from __future__ import annotations

import ast
import re
import sys
import tomllib
from importlib.metadata import packages_distributions

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


def test_every_import_is_declared() -> None:
    extras = [line for extra in EXTRAS for line in PROJECT["optional-dependencies"][extra]]
    wanted = [*PROJECT["dependencies"], *extras]
    declared = {re.split(r"[\[<>=; ]", line)[0].lower().replace("_", "-") for line in wanted}
    known = packages_distributions()
    missing = {}
    for module, path in imported().items():
        if module in sys.stdlib_module_names or module == "weighloop":
            continue
        names = {name.lower().replace("_", "-") for name in known.get(module, [module])}
        if not names & declared:
            missing[module] = path
    assert missing == {}
