"""Silence at the head, at the tail and inside, to the sample."""

from __future__ import annotations

import numpy as np

from stemprep.dsp.cells import CELL_FRAMES, Chunk
from stemprep.model.facts import SilenceFacts
from stemprep.units import ratio_from_db

MAX_STRETCHES = 1_000


class Silence:
    """Follows the last sound; only the cells at the edges of a silence are read.

    Stretches inside the sound shorter than two cells (64 samples) are not seen.
    """

    def __init__(self, threshold_dbfs: float, min_stretch_samples: int) -> None:
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
        if chunk.peaks.max() <= self._threshold:
            return
        size = chunk.size.max(axis=0)
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
        )

    def _sound_in(self, chunk: Chunk, cell: int) -> tuple[int, int]:
        """First and one past the last sounding frame of a cell that sounds."""
        at = cell * CELL_FRAMES
        inside = np.abs(chunk.samples[:, at : at + CELL_FRAMES]).max(axis=0)
        sounding = np.flatnonzero(inside > self._threshold)
        return chunk.start + at + int(sounding[0]), chunk.start + at + int(sounding[-1]) + 1

    def _note(self, start: int, end: int) -> None:
        if end - start >= self._shortest and len(self._stretches) < MAX_STRETCHES:
            self._stretches.append((start, end))
