"""`weighloop examples`: the files as the package has them; nothing of the user's is written over."""

from __future__ import annotations

import json
from pathlib import Path

from tests.support import EXAMPLES
from tests.tui.cli.test_verbs import call, good


def test_the_examples_are_written_once_and_nothing_over(tmp_path: Path) -> None:
    folder = tmp_path / "examples"
    written = json.loads(good("examples", str(folder), "--json").stdout)["files"]
    there = {path.relative_to(EXAMPLES) for path in EXAMPLES.rglob("*") if path.is_file()}
    assert {Path(name).relative_to(folder) for name in written} == there
    for name in there:
        assert (folder / name).read_bytes() == (EXAMPLES / name).read_bytes()
    good("examples", str(folder))  # the same again is no harm
    mine = folder / "wp-07-1.toml"
    mine.write_text(mine.read_text() + "# mine\n")
    result = call("examples", str(folder))
    assert result.exit_code == 1
    assert "wp-07-1.toml: file: another one is there already" in result.output
    assert mine.read_text().endswith("# mine\n")
