"""The modules of the daemon tests can be imported by name."""

import sys
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parent.parent / "daemon"))
