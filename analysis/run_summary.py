"""What a table of many runs needs of each: its figures and their trials; kept on disk by content."""

from __future__ import annotations

import hashlib
import io
import json
import pickle
from collections.abc import Mapping
from dataclasses import asdict, dataclass
from functools import cache
from importlib.metadata import version
from pathlib import Path
from typing import Any
from zipfile import BadZipFile

import numpy as np

from .figures.uncertainty import FigureResult
from .records.arrays import Floats
from .records.bench import Bench
from .records.readings import Readings
from .results import LoopResult


@dataclass(frozen=True, eq=False)
class RunSummary:
    """One run: ``figures`` and the trials of each, ``shared`` as in ``LoopResult``, its warnings' codes.

    ``samples`` are in single precision: a part in 1e7, far below what any of them scatters by.
    """

    name: str
    figures: dict[str, FigureResult]
    samples: dict[str, np.ndarray[Any, np.dtype[np.float32]]]
    shared: dict[str, str]
    warnings: tuple[str, ...]

    def to_bytes(self) -> bytes:
        """As it is kept: arrays, and the rest as JSON."""
        rest = {
            "name": self.name,
            "figures": {key: asdict(figure) for key, figure in self.figures.items()},
            "shared": self.shared,
            "warnings": self.warnings,
        }
        file = io.BytesIO()
        np.savez(file, allow_pickle=False, rest=np.array(json.dumps(rest)), **self.samples)
        return file.getvalue()

    @classmethod
    def from_bytes(cls, kept: bytes) -> RunSummary:
        """Raises ValueError for anything that ``to_bytes`` did not make."""
        try:
            with np.load(io.BytesIO(kept), allow_pickle=False) as arrays:
                rest = json.loads(str(arrays["rest"]))
                samples = {name: arrays[name] for name in arrays.files if name != "rest"}
            figures = {key: FigureResult(**figure) for key, figure in rest["figures"].items()}
            return cls(rest["name"], figures, samples, rest["shared"], tuple(rest["warnings"]))
        except (KeyError, TypeError, AttributeError, EOFError, OSError, BadZipFile) as error:
            raise ValueError(f"no summary of a run: {error!r}") from None


def summary_of(result: LoopResult) -> RunSummary:
    """What is kept of a whole result."""
    return RunSummary(
        result.bench.sample.name,
        result.figures,
        {key: np.asarray(trials, np.float32) for key, trials in result.samples.items()},
        result.shared,
        tuple(warning.code for warning in result.warnings),
    )


def content_key(readings: Readings, bench: Bench, settings: Mapping[str, Any]) -> str:
    """What tells this analysis from every other: readings, bench, settings and the program's own text."""
    state = pickle.dumps((readings, bench, sorted(settings.items()), _program()), protocol=5)
    return hashlib.sha256(state).hexdigest()


@cache
def _program() -> str:
    """The version, and the text of all that an analysis is made of."""
    text = hashlib.sha256(version("weighloop").encode())
    for path in sorted(Path(__file__).parent.rglob("*.py")):
        text.update(path.read_bytes())
    return text.hexdigest()


def trials(summary: RunSummary, figure: str) -> Floats:
    """The trials of a figure (t,), SI."""
    return np.asarray(summary.samples[figure], float)
