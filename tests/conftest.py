"""What all tests share."""

from __future__ import annotations

import os

# Two workers with two threads each on two cores are in each other's way; before numpy is first imported.
for _name in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS"):
    os.environ.setdefault(_name, "1")
