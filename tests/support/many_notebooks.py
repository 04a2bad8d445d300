"""Invented notebooks, any number of them: the worked example's disc, other noise and another strength."""

from __future__ import annotations

import csv
import io
from pathlib import Path

import numpy as np

from tests.support import EXAMPLES


def write_notebooks(folder: Path, count: int, *, strange: tuple[int, ...] = (), seed: int = 1) -> list[Path]:
    """``count`` notebooks with their bench files; the pulls of those numbered in ``strange`` are 12 % larger.

    The others' are spread by 1 %, each reading by 0.5 mg beside.
    """
    random = np.random.default_rng(seed)
    lines = (EXAMPLES / "wp-07-1.csv").read_text(encoding="utf-8").splitlines()
    rows = list(csv.DictReader(line for line in lines if not line.startswith("#")))
    bench = (EXAMPLES / "wp-07-1.toml").read_text(encoding="utf-8")
    made = []
    for number in range(count):
        strength = 1.12 if number in strange else 1.0 + 0.01 * random.standard_normal()
        out = io.StringIO()
        writer = csv.DictWriter(out, rows[0].keys(), lineterminator="\n")
        writer.writeheader()
        for row in rows:
            zero = float(row["zero_before_g"])
            pull = strength * (float(row["reading_g"]) - zero)
            writer.writerow(row | {"reading_g": f"{zero + pull + 5e-4 * random.standard_normal():.4f}"})
        path = folder / f"disc-{number:04d}.csv"
        path.write_text(out.getvalue(), encoding="utf-8")
        path.with_suffix(".toml").write_text(bench.replace("WP-07-1", path.stem), encoding="utf-8")
        made.append(path)
    return made
