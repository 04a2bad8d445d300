"""Builds the documentation site: `python .docs/build.py [FOLDER]` (default: build/site).

The pages stand beside what they describe; here they are laid out as they stand in the tree, with an index,
and Sphinx makes the site of them. A broken link, a missing page or a failing cell ends it with an error.
"""

from __future__ import annotations

import shutil
import subprocess
import sys
from pathlib import Path

TOP = Path(__file__).parents[1]
PAGES = TOP / "build" / "pages"


def lay_out() -> None:
    """The tree's tracked and new files, and the site's own pages on top."""
    listed = ["git", "ls-files", "--cached", "--others", "--exclude-standard"]
    files = subprocess.run(listed, cwd=TOP, capture_output=True, text=True, check=True).stdout.split("\n")
    shutil.rmtree(PAGES, ignore_errors=True)
    for name in filter(None, files):
        if (TOP / name).is_file() and (not name.startswith("tests/") or name == "tests/README.md"):
            (PAGES / name).parent.mkdir(parents=True, exist_ok=True)
            shutil.copy2(TOP / name, PAGES / name)
    shutil.copytree(TOP / ".docs", PAGES, dirs_exist_ok=True, ignore=shutil.ignore_patterns("build.py"))
    shutil.rmtree(PAGES / ".docs", ignore_errors=True)
    pictures = [sys.executable, "-m", "tests.support.screen.pictures", str(PAGES / "screens")]
    subprocess.run(pictures, cwd=TOP, check=True)


def main(folder: str = "build/site") -> int:
    """Lay the pages out and run Sphinx on them; its exit status."""
    lay_out()
    command = [sys.executable, "-m", "sphinx", "-b", "html", "-W", "--keep-going", "-q", "-d"]
    return subprocess.run(
        [*command, str(TOP / "build" / "doctrees"), str(PAGES), str(TOP / folder)]
    ).returncode


if __name__ == "__main__":
    sys.exit(main(*sys.argv[1:]))
