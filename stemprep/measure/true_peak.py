"""The true peak by branch and bound: interpolates only where it can be beaten."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from stemprep.dsp.cells import CELL_FRAMES, Chunk, Floats
from stemprep.dsp.interpolation import Interpolator

BATCH = 16  # a fixed shape: the same sums in the same order for a cell, whoever asks for it
SLACK = 1 + 2e-5  # covers the rounding of 80 float32 products; bounds must err upwards


class TruePeak:
    """Highest interpolated value of all channels, zeros outside the file.

    A cell is skipped where a bound proves that it cannot exceed the highest value so far: first
    the kernel's absolute sum times the largest sample around, then, on the cells left, a bound
    from the second differences, which is tight for anything but the top octave. Dense figures
    take the same path without bounds (``is_exhaustive``, the oracle in tests).
    """

    def __init__(
        self,
        interpolator: Interpolator,
        channels: int,
        dtype: npt.DTypeLike,
        *,
        is_exhaustive: bool = False,
    ) -> None:
        self._kernel = interpolator
        self._matrix = interpolator.cell_matrix(dtype)
        self._exhaustive = is_exhaustive
        self._samples: Floats = np.zeros((channels, 2 * CELL_FRAMES), dtype=dtype)
        self._sizes: Floats = np.zeros((channels, 2), dtype=dtype)
        self.peak = 0.0
        self.cells_read = 0

    def add(self, chunk: Chunk) -> None:
        """Look at all cells but the last of this chunk and at the last of the one before."""
        self._advance(chunk.samples, chunk.size)

    def finish(self) -> float:
        """The peak as a ratio to full scale, never below the highest sample."""
        channels = self._samples.shape[0]
        self._advance(
            np.zeros((channels, 2 * CELL_FRAMES), self._samples.dtype),
            np.zeros((channels, 2), self._samples.dtype),
        )
        return self.peak

    def _advance(self, samples: Floats, sizes: Floats) -> None:
        self.peak = max(self.peak, float(sizes.max()))
        if not self._kernel.kernels.size:
            return
        sizes = np.hstack([self._sizes, sizes])
        samples = np.hstack([self._samples, samples])
        self._sizes, self._samples = sizes[:, -2:], samples[:, -2 * CELL_FRAMES :]
        around = np.maximum(np.maximum(sizes[:, :-2], sizes[:, 2:]), sizes[:, 1:-1])
        margin = CELL_FRAMES - self._kernel.taps // 2
        spans = np.lib.stride_tricks.sliding_window_view(samples[:, margin:], self._kernel.span, 1)
        spans = spans[:, ::CELL_FRAMES][:, : around.shape[1]]
        limit = 0.0 if self._exhaustive else self.peak / (self._kernel.gain * SLACK)
        channel, cell = np.nonzero(around > limit)
        if channel.size:
            self._read(spans[channel, cell])

    def _read(self, rows: Floats) -> None:
        """Interpolate the cells that ``rows`` spans, most promising first."""
        bounds = self._smooth_bounds(rows)
        if not self._exhaustive:
            open_ = np.flatnonzero(bounds > self.peak)
            open_ = open_[np.argsort(-bounds[open_], kind="stable")]
            rows, bounds = rows[open_], bounds[open_]
        batch = np.zeros((BATCH, rows.shape[1]), dtype=rows.dtype)
        for start in range(0, len(rows), BATCH):
            if not self._exhaustive and bounds[start] <= self.peak:
                return
            part = rows[start : start + BATCH]
            batch[: len(part)] = part
            batch[len(part) :] = 0
            values = batch @ self._matrix
            self.peak = max(self.peak, float(values.max()), -float(values.min()))
            self.cells_read += len(part)

    def _smooth_bounds(self, rows: Floats) -> npt.NDArray[np.float64]:
        scale, slope, bend = self._kernel.smooth_gains
        half = self._kernel.taps // 2
        first = np.diff(rows, axis=1)
        second = np.diff(first, axis=1)
        level = np.abs(rows[:, half : half + CELL_FRAMES + 1]).max(axis=1)
        bound = scale * level.astype(np.float64) + bend * np.abs(second).max(axis=1)
        return np.asarray((bound + slope * np.abs(first).max(axis=1)) * SLACK)
