"""The quick tests on every version of Python that is promised, each in an environment of its own, made by uv.

Run by `make versions`; words after it are versions to try instead. A version that uv cannot get here is said
to be left out, and is no failure; one that it gets must pass.
"""

from __future__ import annotations

import os
import shutil
import subprocess
import sys
import tempfile
import tomllib
from pathlib import Path

TOP = Path(__file__).parents[1]


def promised() -> list[str]:
    """The versions that the package says it runs on."""
    project = tomllib.loads((TOP / "pyproject.toml").read_text(encoding="utf-8"))["project"]
    words = [line.rpartition(" :: ") for line in project["classifiers"]]
    return [word for area, _, word in words if area.endswith("Python") and word.startswith("3.")]


def obtained(uv: str, version: str) -> str | None:
    """Where an interpreter of this version is, fetched where none is here; None where it cannot be had."""
    for words in (["find"], ["install", "--quiet"], ["find"]):
        done = subprocess.run([uv, "python", *words, version], cwd="/", capture_output=True, text=True)
        if words == ["find"] and done.returncode == 0:
            return done.stdout.strip()
    return None


def tried(uv: str, python: str, folder: Path) -> str:
    """What came of the quick tests on one interpreter."""
    subprocess.run([uv, "venv", "--quiet", "--python", python, str(folder)], check=True)
    own = folder / ("Scripts" if os.name == "nt" else "bin") / "python"
    install = [uv, "pip", "install", "--quiet", "--python", str(own), "-c", str(TOP / "constraints.txt")]
    if subprocess.run([*install, f"{TOP}[dev]"]).returncode:
        return "not installed"
    tests = [str(own), "-m", "pytest", "-m", "not slow", "-p", "no:cacheprovider"]
    return "failed" if subprocess.run(tests, cwd=TOP).returncode else "passed"


def main(*versions: str) -> int:
    """Try each; a table at the end, and 1 where one failed."""
    uv = shutil.which("uv") or shutil.which("uv", path=str(Path(sys.executable).parent))
    if uv is None:
        print("Other versions of Python were not tried: uv is not here (pip install uv).")
        return 0
    came = {}
    for version in versions or promised():
        python = obtained(uv, version)
        print(f"== Python {version}: {python or 'cannot be had here'}", flush=True)
        with tempfile.TemporaryDirectory(prefix="weighloop-python-") as folder:
            came[version] = (
                "left out: cannot be had here" if python is None else tried(uv, python, Path(folder))
            )
    for version, outcome in came.items():
        print(f"Python {version}: {outcome}")
    return int(any(outcome in ("failed", "not installed") for outcome in came.values()))


if __name__ == "__main__":
    sys.exit(main(*sys.argv[1:]))
