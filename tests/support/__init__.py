"""What several rooms of the tests share: benches, far ends, scripted daemons, independent models."""

from __future__ import annotations

from pathlib import Path

#: The top of the source tree.
ROOT = Path(__file__).parents[2]
#: The worked example's notebooks and bench files.
EXAMPLES = ROOT / "analysis" / "examples"
