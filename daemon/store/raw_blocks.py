"""Raw readings, compact: columns of small differences, deflated.

A block holds readings in the order they came. Times are whole milliseconds, values whole multiples
of the block's own step (the largest that divides them all, a power of ten in kg), so what comes out
is what the balance sent. Marks and missing values are runs. Each column is stored as differences
in variable-length bytes and then deflated: digits of a quiet balance cost next to nothing.
"""

from __future__ import annotations

import struct
import zlib
from collections.abc import Iterable, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

#: Value grid, kg: a tenth of a microgram, finer than any balance here resolves.
GRID = 1e-10
_MARKS: tuple[str | None, ...] = (None, "steady", "unsteady", "overload", "underload")
_HEADER = struct.Struct("<BIqqB")  # layout, count, first ms, first value, power of ten
_LAYOUT = 1


@dataclass(frozen=True, slots=True)
class Raw:
    """One raw reading: time in s (whole ms are kept), value in kg or None, the balance's mark."""

    time_s: float
    value_kg: float | None
    mark: str | None


@dataclass(frozen=True)
class Columns:
    """Raw readings as arrays of shape (n,); ``value_kg`` is NaN where there was no number."""

    time_s: NDArray[np.float64]
    value_kg: NDArray[np.float64]
    mark: tuple[str | None, ...]


def pack(readings: Sequence[Raw]) -> bytes:
    """Readings to bytes. Raises ValueError for none."""
    if not readings:
        raise ValueError("an empty block has no meaning")
    times = [round(r.time_s * 1000.0) for r in readings]
    counts: list[int] = []
    last = 0
    for r in readings:  # a missing number repeats the last, and its mark says that it is missing
        last = last if r.value_kg is None else round(r.value_kg / GRID)
        counts.append(last)
    power = 0
    while power < 9 and all(c % 10 ** (power + 1) == 0 for c in counts):
        power += 1
    counts = [c // 10**power for c in counts]
    codes = bytes(
        _MARKS.index(r.mark if r.mark in _MARKS else None) | (8 if r.value_kg is None else 0)
        for r in readings
    )
    columns = (
        _varints(_differences(_differences(times, times[0]), 0)),
        _varints(_differences(counts, counts[0])),
        codes,
    )
    packed = [zlib.compress(column, 9) for column in columns]
    head = _HEADER.pack(_LAYOUT, len(readings), times[0], counts[0], power)
    return head + b"".join(struct.pack("<I", len(column)) + column for column in packed)


def unpack(blob: bytes) -> Columns:
    """Bytes to readings. Raises ValueError where the block is damaged."""
    try:
        layout, count, first_time, first_value, power = _HEADER.unpack_from(blob)
        if layout != _LAYOUT:
            raise ValueError(f"layout {layout} is not known to this program")
        columns: list[bytes] = []
        place = _HEADER.size
        for _ in range(3):
            (size,) = struct.unpack_from("<I", blob, place)
            columns.append(zlib.decompress(blob[place + 4 : place + 4 + size]))
            place += 4 + size
        times = np.cumsum(np.cumsum(_numbers(columns[0], count))) + first_time
        values = np.cumsum(_numbers(columns[1], count)) + first_value
        codes = np.frombuffer(columns[2], dtype=np.uint8)
        if len(codes) != count:
            raise ValueError("its columns differ in length")
    except (struct.error, zlib.error, IndexError) as error:
        raise ValueError(f"a block of raw readings is damaged: {error}") from None
    # Whole multiples over a power of ten come out as the decimal number that was sent.
    kg = values.astype(np.float64) * 10.0**power / (1 / GRID)
    kg[(codes & 8) != 0] = np.nan
    return Columns(times / 1000.0, kg, tuple(_MARKS[c & 7] for c in codes.tolist()))


def readings(columns: Columns) -> Iterable[Raw]:
    """The same as single readings."""
    for t, v, m in zip(columns.time_s.tolist(), columns.value_kg.tolist(), columns.mark, strict=True):
        yield Raw(t, None if v != v else v, m)


def _differences(numbers: Sequence[int], first: int) -> list[int]:
    out, last = [], first
    for n in numbers:
        out.append(n - last)
        last = n
    return out


def _varints(numbers: Iterable[int]) -> bytes:
    out = bytearray()
    for n in numbers:
        zigzag = (n << 1) if n >= 0 else ((-n << 1) - 1)
        while zigzag > 0x7F:
            out.append((zigzag & 0x7F) | 0x80)
            zigzag >>= 7
        out.append(zigzag)
    return bytes(out)


def _numbers(column: bytes, count: int) -> NDArray[np.int64]:
    """Undo ``_varints``, over the whole column at once."""
    data = np.frombuffer(column, dtype=np.uint8).astype(np.int64)
    ends = np.flatnonzero(data < 0x80)
    if len(ends) != count or (count and ends[-1] != len(data) - 1):
        raise ValueError("a block of raw readings is damaged: a column has the wrong length")
    starts = np.concatenate(([0], ends[:-1] + 1))
    shift = 7 * (np.arange(len(data)) - np.repeat(starts, ends - starts + 1))
    zigzag = np.add.reduceat((data & 0x7F) << shift, starts)
    return (zigzag >> 1) ^ -(zigzag & 1)
