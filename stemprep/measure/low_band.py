"""The lowest octaves on their own: a mean per cell, in windows of an eighth of a second."""

from __future__ import annotations

from typing import Protocol

import numpy as np
import numpy.typing as npt

from stemprep.dsp.cells import CELL_FRAMES, Chunk

Means = npt.NDArray[np.float64]

WINDOW_S = 0.125
MIN_CELLS = 8


def window_cells(rate_hz: int) -> int:
    """Cells in one window: the whole number nearest to an eighth of a second, at least 8."""
    return max(round(WINDOW_S * rate_hz / CELL_FRAMES), MIN_CELLS)


class Listener(Protocol):
    """Takes windows of cell means, shape (channels, windows, cells), in file order."""

    def add(self, windows: Means) -> None:
        """Take the next of them."""


class LowBand:
    """Hands every window that a chunk completes to its listeners.

    A mean over 32 frames is a low-pass that costs nothing here, since the picture needs it too:
    1.5 kHz of cells at 48 kHz, 0.04 dB down at 50 Hz.
    """

    def __init__(self, rate_hz: int, channels: int, *listeners: Listener) -> None:
        self._cells = window_cells(rate_hz)
        self._listeners = listeners
        self._held: Means = np.zeros((channels, 0))
        self._before: Means = np.zeros((channels, 0))

    def add(self, chunk: Chunk) -> None:
        """Means of the whole cells of one chunk."""
        whole = chunk.frames // CELL_FRAMES
        means = chunk.sums[:, :whole] * (1.0 / CELL_FRAMES)
        joined = np.concatenate([self._held, means], axis=1)
        count = joined.shape[1] // self._cells
        done = count * self._cells
        self._held = joined[:, done:]
        if not count:
            return
        self._before = joined[:, done - self._cells : done]
        windows = joined[:, :done].reshape(len(joined), count, self._cells)
        for listener in self._listeners:
            listener.add(windows)

    def finish(self) -> None:
        """Hand on the window that ends with the last whole cell, if that was not one already."""
        if not self._held.shape[1] or not self._before.shape[1]:
            return
        joined = np.concatenate([self._before, self._held], axis=1)
        for listener in self._listeners:
            listener.add(joined[:, None, -self._cells :])
