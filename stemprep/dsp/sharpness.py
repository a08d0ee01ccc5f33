"""The largest third difference of every cell: what is sharp stands out, what is low does not."""

from __future__ import annotations

import numpy as np

from stemprep.dsp.cells import Chunk, Floats
from stemprep.dsp.scratch import Scratch

ORDER = 3


class CellSharpness:
    """Third differences x[n] - 3 x[n-1] + 3 x[n-2] - x[n-3], counted to the cell of n.

    A difference of order three falls by 18 dB an octave towards low notes. Zeros stand before
    the file.
    """

    def __init__(self) -> None:
        self._edge: Floats | None = None
        self._scratch = (Scratch(), Scratch())

    def of(self, chunk: Chunk) -> Floats:
        """Shape (channels, cells), full scale = 1.0, at most 8; chunks in file order."""
        across = chunk.across
        rows, channels, cells = across.shape
        if self._edge is None:
            self._edge = np.zeros((ORDER, channels, 1), dtype=across.dtype)
        one = self._scratch[0].array((rows - 1, channels, cells), across.dtype)
        two = self._scratch[1].array((rows - 2, channels, cells), across.dtype)
        np.subtract(across[1:], across[:-1], out=one)
        np.subtract(one[1:], one[:-1], out=two)
        three = one[: rows - ORDER]
        np.subtract(two[1:], two[:-1], out=three)
        sharp: Floats = np.maximum(three.max(axis=0), -three.min(axis=0))
        ends = np.concatenate([self._edge, across[-ORDER:]], axis=2)
        self._edge = ends[:, :, -1:].copy()
        head = np.concatenate([ends[:, :, :-1], across[:ORDER]])
        joint = np.diff(head, n=ORDER, axis=0)
        np.maximum(sharp, np.abs(joint).max(axis=0), out=sharp)
        return sharp
