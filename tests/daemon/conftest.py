"""The modules of this folder can be imported by name."""

import sys
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parent))
