"""Names of the array types, once for the whole room: shapes stand in the docstrings. Arrays in a cache."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Indices = NDArray[np.intp]
Bools = NDArray[np.bool_]


class KnownArray:
    """An array that a cache may know again."""

    def __init__(self, array: Floats) -> None:
        self.array, self.bytes = array, array.tobytes()

    def __hash__(self) -> int:
        return hash(self.bytes)

    def __eq__(self, other: object) -> bool:
        return (
            isinstance(other, KnownArray)
            and other.bytes == self.bytes
            and other.array.shape == self.array.shape
        )


def for_all(array: Floats) -> Floats:
    """An array that several may be given: none may write to it."""
    array.flags.writeable = False
    return array
