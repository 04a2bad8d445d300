"""What a release must pass: archives built, checked, and installed; the quick tests from the source archive.

Run by `make release-check`.
"""

from __future__ import annotations

import os
import shutil
import subprocess
import sys
import tarfile
import tempfile
import venv
from pathlib import Path

TOP = Path(__file__).parents[1]
PIN = ["-c", str(TOP / "constraints.txt")]
#: Modules that an installation without extras must do without.
HEAVY = ("matplotlib", "pandas", "magpylib")


def run(*command: object, cwd: Path = TOP) -> None:
    """Run a command, saying which; ends with its status where it fails."""
    print("$", *command, flush=True)
    done = subprocess.run([str(word) for word in command], cwd=cwd, env={**os.environ, "PYTHONPATH": ""})
    if done.returncode:
        sys.exit(done.returncode)


def environment(folder: Path, *requirements: object) -> Path:
    """A clean environment with these installed; its folder of programs."""
    venv.create(folder, with_pip=True)
    programs = folder / ("Scripts" if os.name == "nt" else "bin")
    run(
        programs / "python",
        "-m",
        "pip",
        "install",
        "--quiet",
        "--disable-pip-version-check",
        *PIN,
        *requirements,
    )
    return programs


def main() -> None:
    """Build, check, install, test."""
    dist = TOP / "dist"
    shutil.rmtree(dist, ignore_errors=True)
    run(sys.executable, "-m", "build", "--outdir", dist)
    (wheel,), (sdist,) = dist.glob("*.whl"), dist.glob("*.tar.gz")
    run(sys.executable, "-m", "twine", "check", "--strict", wheel, sdist)
    with tempfile.TemporaryDirectory(prefix="weighloop-release-") as temporary:
        folder = Path(temporary)
        bare = environment(folder / "bare", wheel)
        run(
            bare / "python",
            "-c",
            f"import importlib.util as u; assert not any(map(u.find_spec, {HEAVY}))",
            cwd=folder,
        )
        found = "import weighloop.analysis as a, pathlib; print(pathlib.Path(a.__file__).parent / 'examples')"
        examples = subprocess.run(
            [bare / "python", "-c", found], cwd=folder, capture_output=True, text=True, check=True
        ).stdout.strip()
        run(bare / "weighloop", "figures", Path(examples) / "wp-07-1.csv", cwd=folder)
        full = environment(folder / "full", f"{wheel}[all]")
        run(
            full / "weighloop",
            "report",
            Path(examples) / "wp-07-1.csv",
            "-o",
            folder / "report.html",
            cwd=folder,
        )
        with tarfile.open(sdist) as archive:
            archive.extractall(folder / "source", filter="data")
        (source,) = (folder / "source").iterdir()
        run("make", "check", f"PYTHON={sys.executable}", cwd=source)
    print(f"Ready: {wheel.name}, {sdist.name}")


if __name__ == "__main__":
    main()
