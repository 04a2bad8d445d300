"""Drawing finer than a cell: every cell of a terminal holds two by four dots (Unicode's Braille patterns)."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Final

import numpy as np

#: Dots of a cell across and down.
ACROSS, DOWN = 2, 4
#: The bit of each dot of a cell in the pattern's code point (Unicode, block Braille Patterns).
_BITS: Final = np.array([[1, 8], [2, 16], [4, 32], [64, 128]])

#: Marks, drawn from their middle: ``#`` is ink, ``.`` is wiped clear, a blank leaves what is there.
MARKS: Final[dict[str, tuple[str, ...]]] = {
    "filled": (" ## ", "####", "####", " ## "),
    "open": (" ## ", "#..#", "#..#", " ## "),
    "small": ("##", "##"),
    "aside": ("#   #", " # # ", "  #  ", " # # ", "#   #"),
    "dot": ("#",),
}

#: Cells from the lightest to the darkest (Unicode, block Block Elements): read without any colour.
SHADES: Final = "░▒▓█"


class DotSheet:
    """A sheet of ``width`` by ``height`` cells; of a cell's marks the last one drawn gives the colour."""

    def __init__(self, width: int, height: int) -> None:
        self._ink = np.zeros((height * DOWN, width * ACROSS), dtype=bool)
        self._colour = np.zeros((height, width), dtype=np.int64)
        self._colours: list[str] = [""]

    def line(self, x: np.ndarray, y: np.ndarray, colour: str) -> None:
        """Straight lines through points (n,), in cells from the top left corner."""
        x, y = x * ACROSS, y * DOWN
        for k in range(1, len(x)):
            steps = int(max(abs(x[k] - x[k - 1]), abs(y[k] - y[k - 1]))) + 2
            self._put(np.linspace(x[k - 1], x[k], steps), np.linspace(y[k - 1], y[k], steps), colour)

    def mark(self, x: np.ndarray, y: np.ndarray, mark: str, colour: str) -> None:
        """A mark at each point."""
        shape = np.array([list(row) for row in MARKS[mark]])
        for character in ".#":
            rows, columns = np.nonzero(shape == character)
            for row, column in zip(rows, columns, strict=True):
                across = x * ACROSS + column - (shape.shape[1] - 1) / 2
                down = y * DOWN + row - (shape.shape[0] - 1) / 2
                self._put(across, down, colour, character == "#")

    def _put(self, x: np.ndarray, y: np.ndarray, colour: str, ink: bool = True) -> None:
        if colour not in self._colours:
            self._colours.append(colour)
        column, row = np.floor(x).astype(int), np.floor(y).astype(int)
        inside = (column >= 0) & (column < self._ink.shape[1]) & (row >= 0) & (row < self._ink.shape[0])
        column, row = column[inside], row[inside]
        self._ink[row, column] = ink
        self._colour[row // DOWN, column // ACROSS] = self._colours.index(colour)

    def cells(self) -> Iterator[tuple[int, int, str, str]]:
        """Column, row, character and colour of every cell with ink."""
        height, width = self._colour.shape
        dots = self._ink.reshape(height, DOWN, width, ACROSS).transpose(0, 2, 1, 3)
        code = (dots * _BITS).sum(axis=(2, 3))
        for row, column in zip(*np.nonzero(code), strict=True):
            colour = self._colours[self._colour[row, column]]
            yield int(column), int(row), chr(0x2800 + int(code[row, column])), colour
