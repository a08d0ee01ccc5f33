"""The shape of the whole file in a bounded number of columns: picture and DC offset."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from stemprep.dsp.cells import CELL_FRAMES, Chunk
from stemprep.dsp.companding import levels_of
from stemprep.model.facts import Overview

# More than a picture needs by far; bounds memory for a file of one channel.
MAX_COLUMNS = 8_192
# So that a file of very many channels still has a shape.
MIN_COLUMNS = 64
# Of all channels together: bounds memory for files of many channels.
COLUMNS_OF_ALL_CHANNELS = 131_072


class Outline:
    """Lowest, highest and summed sample of equal columns, at first one cell wide each.

    When all columns are used, neighbours merge and columns are twice as wide from then on: any
    length fits, with at least half of the columns once the file has that many cells. Files of
    more than 16 channels get fewer columns a channel.
    """

    def __init__(self, channels: int) -> None:
        wanted = COLUMNS_OF_ALL_CHANNELS // max(channels, 1) // 2 * 2
        self._most = min(max(wanted, MIN_COLUMNS), MAX_COLUMNS)
        self._columns = np.zeros((3, channels, self._most))
        self._used = 0
        self._cells_per_column = 1
        self._pending: npt.NDArray[np.float64] = np.zeros((3, channels, 0))

    def add(self, chunk: Chunk) -> None:
        """Append the cells of one chunk."""
        sums = chunk.sums
        held = self._pending.shape[2]
        pending = np.empty((3, len(sums), held + sums.shape[1]))
        pending[:, :, :held] = self._pending
        for row, values in enumerate((chunk.low, chunk.high, sums)):
            pending[row, :, held:] = values
        while pending.shape[2] >= self._cells_per_column:
            pending = self._append(pending)
        self._pending = pending

    def overview(self, columns: int) -> Overview:
        """At most ``columns`` columns, fewer for a file with fewer cells."""
        low, high, _ = self._all()
        count = min(columns, low.shape[1])
        if not count:
            empty: tuple[tuple[float, ...], ...] = ((),) * low.shape[0]
            return Overview(minimum=empty, maximum=empty)
        starts = np.arange(count) * low.shape[1] // count
        return Overview(
            minimum=tuple(map(tuple, np.minimum.reduceat(low, starts, axis=1).tolist())),
            maximum=tuple(map(tuple, np.maximum.reduceat(high, starts, axis=1).tolist())),
        )

    def waveform(self, columns: int) -> tuple[bytes, ...]:
        """At most ``columns`` columns of each channel, as ``Sound.waveform`` holds them."""
        low, high, _ = self._all()
        count = min(columns, low.shape[1])
        if not count:
            return (b"",) * int(low.shape[0])
        starts = np.arange(count) * low.shape[1] // count
        ends = np.stack(
            [np.minimum.reduceat(low, starts, axis=1), np.maximum.reduceat(high, starts, axis=1)],
            axis=2,
        )
        return tuple(bytes(channel.tobytes()) for channel in levels_of(ends))

    def dc_offset(self, frames: int) -> tuple[float, ...]:
        """Mean of each channel, weighted by a squared Hann window over the whole file.

        The window is constant within a column. Squared, because it must not read a 20 Hz tone
        of ten and a half cycles as an offset: sidelobes fall by 30 dB an octave, a plain
        Hann window's by 18.
        """
        _, _, sums = self._all()
        width = self._cells_per_column * CELL_FRAMES
        starts = np.arange(sums.shape[1]) * width
        counts = np.minimum(frames - starts, width)
        window = np.sin(np.pi * (starts + counts / 2) / max(frames, 1)) ** 4
        weight = float(window @ counts)
        return tuple((sums @ window / weight).tolist()) if weight else (0.0,) * sums.shape[0]

    def _append(self, cells: npt.NDArray[np.float64]) -> npt.NDArray[np.float64]:
        """Turn as many cells into columns as fit; the rest is given back."""
        if self._used == self._most:
            self._columns[:, :, : self._most // 2] = _merged(self._columns, 2)
            self._used //= 2
            self._cells_per_column *= 2
        width = self._cells_per_column
        count = min(cells.shape[2] // width, self._most - self._used)
        ready = _merged(cells[:, :, : count * width], width)
        self._columns[:, :, self._used : self._used + count] = ready
        self._used += count
        return cells[:, :, count * width :]

    def _all(self) -> npt.NDArray[np.float64]:
        """All columns, the last one perhaps short."""
        used = self._columns[:, :, : self._used]
        if not self._pending.shape[2]:
            return used
        last = _merged(self._pending, self._pending.shape[2])
        return np.concatenate([used, last], axis=2)


def _merged(columns: npt.NDArray[np.float64], width: int) -> npt.NDArray[np.float64]:
    """Every ``width`` neighbours as one."""
    if width == 1:
        return columns
    if width % 2 == 0:
        # Halving by long strided operations is far cheaper than reducing many short rows.
        return _merged(_pairs(columns), width // 2)
    grouped = columns.reshape(3, columns.shape[1], -1, width)
    return np.stack([grouped[0].min(axis=-1), grouped[1].max(axis=-1), grouped[2].sum(axis=-1)])


def _pairs(columns: npt.NDArray[np.float64]) -> npt.NDArray[np.float64]:
    """Every two neighbours as one; an even number of columns."""
    first, second = columns[:, :, 0::2], columns[:, :, 1::2]
    merged = np.empty_like(first, order="C")
    np.minimum(first[0], second[0], out=merged[0])
    np.maximum(first[1], second[1], out=merged[1])
    np.add(first[2], second[2], out=merged[2])
    return merged
