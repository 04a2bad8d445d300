"""`weighloop examples`: the files as the package has them; nothing of the user's is written over."""

from __future__ import annotations

import json
from pathlib import Path

from tests.support import EXAMPLES
from tests.tui.cli.test_verbs import call, good


def test_the_examples_are_written_once_and_nothing_over(tmp_path: Path) -> None:
    folder = tmp_path / "examples"
    written = json.loads(good("examples", str(folder), "--json").stdout)["files"]
    assert {Path(name).name for name in written} == {path.name for path in EXAMPLES.iterdir()}
    for name in written:
        assert Path(name).read_bytes() == (EXAMPLES / Path(name).name).read_bytes()
    good("examples", str(folder))  # the same again is no harm
    mine = folder / "wp-07-1.toml"
    mine.write_text(mine.read_text() + "# mine\n")
    result = call("examples", str(folder))
    assert result.exit_code == 1
    assert "wp-07-1.toml: file: another one is there already" in result.output
    assert mine.read_text().endswith("# mine\n")
