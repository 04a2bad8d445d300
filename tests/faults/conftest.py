"""The modules of the tests of daemon and drivers can be imported by name."""

import sys
from pathlib import Path

sys.path[:0] = [str(Path(__file__).parent.parent / folder) for folder in ("daemon", "drivers")]
