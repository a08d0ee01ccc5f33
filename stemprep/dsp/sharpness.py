"""The largest third difference of every cell: what is sharp stands out, what is low does not."""

from __future__ import annotations

import numpy as np

from stemprep.dsp.cells import Chunk, Floats
from stemprep.dsp.differences import CellDifferences

# 18 dB an octave: what is low hardly counts.
ORDER = 3


class CellSharpness:
    """Third differences x[n] - 3 x[n-1] + 3 x[n-2] - x[n-3], counted to the cell of n.

    A difference of order three falls by 18 dB an octave towards low notes. Zeros stand before
    the file.
    """

    def __init__(self, differences: CellDifferences) -> None:
        self._edge: Floats | None = None
        self._differences = differences

    def of(self, chunk: Chunk) -> Floats:
        """Shape (channels, cells), full scale = 1.0, at most 8; chunks in file order."""
        across = chunk.across
        if self._edge is None:
            self._edge = np.zeros((ORDER, across.shape[1], 1), dtype=across.dtype)
        sharp: Floats = self._differences.third_sizes(across).max(axis=0)
        ends = np.concatenate([self._edge, across[-ORDER:]], axis=2)
        self._edge = ends[:, :, -1:].copy()
        head = np.concatenate([ends[:, :, :-1], across[:ORDER]])
        for _ in range(ORDER):
            head = head[1:] - head[:-1]
        np.maximum(sharp, np.abs(head).max(axis=0), out=sharp)
        return sharp
