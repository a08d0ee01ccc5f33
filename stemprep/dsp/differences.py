"""Second and third differences inside cells: what bends and what is sharp, made once a chunk."""

from __future__ import annotations

import numpy as np

from stemprep.dsp.cells import Floats
from stemprep.dsp.scratch import Scratch


class CellDifferences:
    """Differences between the rows of ``Chunk.across``, shared by all who look at one chunk.

    The rows are the frames of a cell, so a difference across the head of a cell is not among them.
    Results are valid until the next chunk, third ones until the next call; do not write to them.
    """

    def __init__(self) -> None:
        self._across: Floats | None = None
        self._second: Floats | None = None
        self._scratch = (Scratch(), Scratch())

    def second(self, across: Floats) -> Floats:
        """x[n] - 2 x[n-1] + x[n-2]; rows 2 to 31, shape (30, channels, cells)."""
        if self._second is None or across is not self._across:
            rows, *cells = across.shape
            first = self._scratch[0].array((rows - 1, *cells), across.dtype)
            np.subtract(across[1:], across[:-1], out=first)
            self._second = self._scratch[1].array((rows - 2, *cells), across.dtype)
            np.subtract(first[1:], first[:-1], out=self._second)
            self._across = across
        return self._second

    def third_sizes(self, across: Floats) -> Floats:
        """|x[n] - 3 x[n-1] + 3 x[n-2] - x[n-3]|; rows 3 to 31, shape (29, channels, cells)."""
        second = self.second(across)
        third = self._scratch[0].array((len(second) - 1, *second.shape[1:]), across.dtype)
        np.subtract(second[1:], second[:-1], out=third)
        np.abs(third, out=third)
        return third
