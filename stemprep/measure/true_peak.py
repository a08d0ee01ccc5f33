"""The true peak by branch and bound: interpolates only where it can be beaten."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from stemprep.dsp.cells import CELL_FRAMES, Chunk, Floats
from stemprep.dsp.differences import CellDifferences
from stemprep.dsp.interpolation import Interpolator
from stemprep.dsp.scratch import Scratch

BATCH = 16  # a fixed shape: the same sums in the same order for a cell, whoever asks for it
# Batches read before the bounds are asked again, after a first one alone that sets the peak.
MOST_BATCHES = 4
SLACK = 1 + 2e-5  # covers the rounding of 80 float32 products; bounds must err upwards


class TruePeak:
    """Highest interpolated value of all channels, zeros outside the file.

    A cell is skipped where a bound proves that it cannot exceed the highest value so far: the
    kernel's absolute sum times the largest sample around, or the largest sample of the cell plus
    what second differences can add, which is tight for anything but the top octave.
    ``is_exhaustive`` reads every cell by the same sums: the oracle of the tests.
    differences: those of the same chunks, where others need them too.
    """

    def __init__(
        self,
        interpolator: Interpolator,
        channels: int,
        dtype: npt.DTypeLike,
        differences: CellDifferences | None = None,
        *,
        is_exhaustive: bool = False,
    ) -> None:
        self._kernel = interpolator
        self._matrix = interpolator.cell_matrix(dtype)
        self._exhaustive = is_exhaustive
        self._samples: Floats = np.zeros((channels, 2 * CELL_FRAMES), dtype=dtype)
        self._sizes: Floats = np.zeros((channels, 2), dtype=dtype)
        self._bends: Floats = np.zeros((channels, 2), dtype=dtype)
        self._edges: Floats = np.zeros((2, channels, 1), dtype=dtype)
        self._differences = differences or CellDifferences()
        self._scratch = Scratch()
        self.peak = 0.0
        self.cells_read = 0

    def add(self, chunk: Chunk) -> None:
        """Look at all cells but the last of this chunk and at the last of the one before."""
        self._advance(chunk.samples, chunk.across, chunk.size)

    def finish(self) -> float:
        """Look at the last cell and the one after it; the peak as a ratio to full scale."""
        channels, dtype = self._samples.shape[0], self._samples.dtype
        self._advance(
            np.zeros((channels, 2 * CELL_FRAMES), dtype),
            np.zeros((CELL_FRAMES, channels, 2), dtype),
            np.zeros((channels, 2), dtype),
        )
        return self.peak

    def _advance(self, samples: Floats, across: Floats, size: Floats) -> None:
        """Judge every cell whose neighbours on both sides are known now."""
        self.peak = max(self.peak, float(size.max()))
        if not self._kernel.kernels.size:
            return
        before, sizes = self._samples, np.hstack([self._sizes, size])
        self._samples = np.hstack([before, samples[:, -2 * CELL_FRAMES :]])[:, -2 * CELL_FRAMES :]
        if not self._exhaustive and sizes.max() * self._kernel.gain * SLACK <= self.peak:
            self._sizes = sizes[:, -2:]
            self._bends = np.full_like(self._sizes, np.inf)  # not looked at: no bound
            self._edges = across[-2:, :, -1:].copy()
            return
        bends = np.hstack([self._bends, self._new_bends(across)])
        self._sizes, self._bends = sizes[:, -2:], bends[:, -2:]
        bounds = self._bounds(sizes, bends)
        places = np.nonzero(bounds > (-1.0 if self._exhaustive else self.peak))
        if places[0].size:
            margin = CELL_FRAMES - self._kernel.taps // 2
            known = self._joined(before, samples)[:, margin:]
            spans = np.lib.stride_tricks.sliding_window_view(known, self._kernel.span, 1)
            self._read(spans[:, ::CELL_FRAMES][places], bounds[places])

    def _joined(self, before: Floats, samples: Floats) -> Floats:
        shape = (len(samples), before.shape[1] + samples.shape[1])
        joined: Floats = self._scratch.array(shape, samples.dtype)
        np.concatenate([before, samples], axis=1, out=joined)
        return joined

    def _new_bends(self, across: Floats) -> Floats:
        """Largest second difference inside each cell and across its head, (channels, cells)."""
        inner = self._differences.second(across)
        ends = np.concatenate([self._edges, across[-2:]], axis=2)
        self._edges, ends = ends[:, :, -1:], ends[:, :, :-1]
        entry = across[0] - ends[1]
        head = np.maximum(
            np.abs(entry - (ends[1] - ends[0])), np.abs(across[1] - across[0] - entry)
        )
        bends: Floats = np.maximum(np.maximum(inner.max(axis=0), -inner.min(axis=0)), head)
        return bends

    def _bounds(self, sizes: Floats, bends: Floats) -> Floats:
        """No value of a cell exceeds these; for all cells but the first and the last."""
        scale, slope, bend = self._kernel.smooth_gains
        around = np.maximum(np.maximum(sizes[:, :-2], sizes[:, 2:]), sizes[:, 1:-1])
        level = np.maximum(sizes[:, 1:-1], sizes[:, 2:])
        bent = np.maximum(np.maximum(bends[:, :-2], bends[:, 2:]), bends[:, 1:-1])
        smooth = (scale + 2 * slope) * level + bend * bent
        bounds: Floats = np.minimum(self._kernel.gain * around, smooth) * SLACK
        return bounds

    def _read(self, rows: Floats, bounds: Floats) -> None:
        """Interpolate the cells that ``rows`` spans, most promising first."""
        order = np.argsort(-bounds, kind="stable")
        rows, bounds = rows[order], bounds[order]
        done, count = 0, BATCH
        while done < len(rows) and (self._exhaustive or bounds[done] > self.peak):
            part = rows[done : done + count]
            missing = -len(part) % BATCH
            if missing:  # np.pad takes longer than the product
                part = np.concatenate([part, np.zeros((missing, rows.shape[1]), rows.dtype)])
            values = part.reshape(-1, BATCH, rows.shape[1]) @ self._matrix
            self.peak = max(self.peak, float(values.max()), -float(values.min()))
            self.cells_read += min(count, len(rows) - done)
            done, count = done + count, MOST_BATCHES * BATCH
