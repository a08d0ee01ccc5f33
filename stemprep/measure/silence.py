"""Silence at the head, at the tail and inside, to the sample."""

from __future__ import annotations

import numpy as np

from stemprep.dsp.cells import CELL_FRAMES, Chunk, Floats
from stemprep.model.facts import SilenceFacts
from stemprep.units import ratio_from_db

# Bounds memory and report; the first are kept.
MAX_STRETCHES = 1_000


class Silence:
    """Follows the last sound; only the cells at the edges of a silence are read.

    Stretches inside the sound shorter than two cells (64 samples) are not seen.
    """

    def __init__(
        self, threshold_dbfs: float, min_stretch_samples: int, edge_threshold_dbfs: float
    ) -> None:
        self._edges = Edges(edge_threshold_dbfs)
        self._threshold_dbfs = threshold_dbfs
        self._threshold = ratio_from_db(threshold_dbfs)
        self._shortest = max(min_stretch_samples, 2 * CELL_FRAMES)
        self._first: int | None = None
        self._end = 0
        self._stretches: list[tuple[int, int]] = []
        self._is_zero = True

    def add(self, chunk: Chunk) -> None:
        """Find the sounding cells of one chunk."""
        self._is_zero = self._is_zero and not chunk.peaks.any()
        highest = chunk.peaks.max()
        if highest <= self._threshold and highest <= self._edges.threshold:
            return
        size = chunk.size.max(axis=0)
        self._edges.add(chunk, size)
        if highest > self._threshold:
            self._follow(chunk, size)

    def _follow(self, chunk: Chunk, size: Floats) -> None:
        cells = np.flatnonzero(size > self._threshold)
        if self._first is None:
            self._first, _ = self._sound_in(chunk, int(cells[0]))
        elif chunk.start + int(cells[0] + 1) * CELL_FRAMES - self._end >= self._shortest:
            self._note(self._end, self._sound_in(chunk, int(cells[0]))[0])
        gaps = np.flatnonzero(np.diff(cells) > (self._shortest - 2 * CELL_FRAMES) // CELL_FRAMES)
        for gap in gaps:
            if len(self._stretches) == MAX_STRETCHES:
                break
            _, start = self._sound_in(chunk, int(cells[gap]))
            end, _ = self._sound_in(chunk, int(cells[gap + 1]))
            self._note(start, end)
        _, self._end = self._sound_in(chunk, int(cells[-1]))

    def facts(self, frames: int) -> SilenceFacts:
        """Edges and stretches over ``frames`` frames."""
        return SilenceFacts(
            threshold_dbfs=self._threshold_dbfs,
            leading_samples=frames if self._first is None else self._first,
            trailing_samples=frames - self._end,
            stretches=tuple(self._stretches),
            is_digital_silence=self._is_zero,
            edge_threshold_dbfs=self._edges.threshold_dbfs,
            edge_leading_samples=frames if self._edges.first is None else self._edges.first,
            edge_trailing_samples=frames - self._edges.end,
        )

    def _sound_in(self, chunk: Chunk, cell: int) -> tuple[int, int]:
        return _sound_in(chunk, cell, self._threshold)

    def _note(self, start: int, end: int) -> None:
        if end - start >= self._shortest and len(self._stretches) < MAX_STRETCHES:
            self._stretches.append((start, end))


class Edges:
    """Where sound over one level begins and ends; first is None until there is any."""

    def __init__(self, threshold_dbfs: float) -> None:
        self.threshold_dbfs = threshold_dbfs
        self.threshold = ratio_from_db(threshold_dbfs)
        self.first: int | None = None
        self._last: tuple[int, Floats] = (0, np.zeros((1, 0)))

    def add(self, chunk: Chunk, size: Floats) -> None:
        """Look at one chunk; size: the larger of all channels' cells."""
        if not chunk.peaks.max() > self.threshold:
            return
        if self.first is None:
            cell = int(np.argmax(size > self.threshold))
            self.first, _ = _sound_in(chunk, cell, self.threshold)
        last = size.size - 1
        if not size[-1] > self.threshold:
            last -= int(np.argmax(size[::-1] > self.threshold))
        at = last * CELL_FRAMES
        self._last = (chunk.start + at, chunk.samples[:, at : at + CELL_FRAMES].copy())

    @property
    def end(self) -> int:
        """One past the last sounding frame; 0 without any."""
        start, cell = self._last
        sounding = np.flatnonzero((np.abs(cell) > self.threshold).any(axis=0))
        return start + int(sounding[-1]) + 1 if sounding.size else 0


def _sound_in(chunk: Chunk, cell: int, threshold: float) -> tuple[int, int]:
    """First and one past the last sounding frame of a cell that sounds."""
    at = cell * CELL_FRAMES
    inside = np.abs(chunk.samples[:, at : at + CELL_FRAMES]).max(axis=0)
    sounding = np.flatnonzero(inside > threshold)
    return chunk.start + at + int(sounding[0]), chunk.start + at + int(sounding[-1]) + 1
