"""The lowest octaves on their own: a mean per cell, in windows of an eighth of a second."""

from __future__ import annotations

from typing import Protocol

import numpy as np
import numpy.typing as npt

from stemprep.dsp.cells import CELL_FRAMES, Chunk

Means = npt.NDArray[np.float64]

WINDOW_S = 0.125
MIN_CELLS = 8
BATCH = 32  # windows at a time: fewer calls, and still in the nearest cache


def window_cells(rate_hz: int) -> int:
    """Cells in one window: the whole number nearest to an eighth of a second, at least 8."""
    return max(round(WINDOW_S * rate_hz / CELL_FRAMES), MIN_CELLS)


class Listener(Protocol):
    """Takes windows of cell means, shape (channels, windows, cells), in file order."""

    def add(self, windows: Means) -> None:
        """Take the next of them."""


class LowBand:
    """Hands windows to its listeners, some at a time.

    A mean over 32 frames is a low-pass that costs nothing here, since the picture needs it too:
    1.5 kHz of cells at 48 kHz, 0.02 dB down at 50 Hz.
    """

    def __init__(self, rate_hz: int, *listeners: Listener) -> None:
        self._cells = window_cells(rate_hz)
        self._listeners = listeners
        self._held: list[Means] = []
        self._count = 0
        self._before: Means | None = None

    def add(self, chunk: Chunk) -> None:
        """Means of the whole cells of one chunk."""
        whole = chunk.frames // CELL_FRAMES
        self._held.append(chunk.sums[:, :whole].astype(np.float64) / CELL_FRAMES)
        self._count += whole
        if self._count >= BATCH * self._cells:
            self._hand_on()

    def finish(self) -> None:
        """Hand on the rest, and the window that ends with the last whole cell."""
        if self._count >= self._cells:
            self._hand_on()
        if self._before is None or not self._count:
            return
        joined = np.concatenate([self._before, *self._held], axis=1)
        self._give(joined[:, None, -self._cells :])

    def _hand_on(self) -> None:
        joined = np.concatenate(self._held, axis=1)
        count = joined.shape[1] // self._cells
        done = count * self._cells
        self._held, self._count = [joined[:, done:]], joined.shape[1] - done
        self._before = joined[:, done - self._cells : done]
        self._give(joined[:, :done].reshape(len(joined), count, self._cells))

    def _give(self, windows: Means) -> None:
        for listener in self._listeners:
            listener.add(windows)
