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
#: What it may hold at most, MB: a small computer at the bench.
MOST = 250
#: Megabytes of the files of all distributions but the installer's own, without bytecode.
SIZE = """import importlib.metadata as m
ours = [d for d in m.distributions() if d.name not in ("pip", "setuptools")]
files = [d.locate_file(f) for d in ours for f in d.files or () if f.suffix != ".pyc"]
print(sum(file.stat().st_size for file in files if file.exists()) // 10**6)"""
#: The tour, as a reader of the README takes it.
TOUR = (
    ("examples",),
    ("plan", "--bench", "examples/wp-07-1.toml"),
    ("figures", "examples/wp-07-1.csv"),
    ("report", "examples/wp-07-1.csv", "-o", "wp-07-1.html"),
    ("report", "examples/wp-07-1.csv", "-o", "wp-07-1.pdf"),
    ("compare", "examples", "-o", "batch.html"),
    ("demo",),
    ("export", "1", "run-1", "--raw", "--store", "demo-output/store.sqlite"),
    ("figures", "run-1"),
)


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
        bare = environment(folder / "bare", "--no-compile", wheel)
        without = f"import importlib.util as u; assert not any(map(u.find_spec, {HEAVY}))"
        run(bare / "python", "-c", without, cwd=folder)
        size = int(subprocess.check_output([bare / "python", "-c", SIZE], cwd=folder))
        print(f"Installed without extras: {size} MB", flush=True)
        if size > MOST:
            sys.exit(f"that is more than the {MOST} MB a small computer should need")
        for words in (*TOUR[:3], ("demo",)):
            run(bare / "weighloop", *words, cwd=folder)
        full = environment(folder / "full", f"{wheel}[all]")
        for words in TOUR:
            run(full / "weighloop", *words, cwd=folder / "full")
        with tarfile.open(sdist) as archive:
            archive.extractall(folder / "source", filter="data")
        (source,) = (folder / "source").iterdir()
        run("make", "check", f"PYTHON={sys.executable}", cwd=source)
    print(f"Ready: {wheel.name}, {sdist.name}")


if __name__ == "__main__":
    main()
