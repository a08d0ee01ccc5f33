"""Fixed stretches of sound with the extremes of every 32-frame cell.

Everything that looks for something loud, silent or flat asks the cells first and touches
samples only where a cell can hold what it looks for.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from stemprep.dsp.scratch import Scratch

Floats = npt.NDArray[np.floating]

# Frames: their extremes are a sixteenth of the samples, and tell which of them to look at.
CELL_FRAMES = 32
CHUNK_FRAMES = 65_536  # fewer: overhead of calls; more: working copies leave the cache
# Of all channels together: two at full length, fewer frames from three on.
CHUNK_SAMPLES = 2 * CHUNK_FRAMES
# Chunks are whole multiples, so that segments and blocks of the filters fit.
CHUNK_STEP = 1_024
SEGMENT_FRAMES = CHUNK_STEP  # every whole chunk is a whole number of segments
CACHED_CELLS = 128  # transposed at a time: what is read stays in the first-level cache


@dataclass(frozen=True, slots=True)
class Chunk:
    """One analysis stretch; its borders depend on the file alone, never on how blocks came in.

    Valid until the next chunk is made: the arrays are used again.

    start:     first frame, counted from the beginning of the file.
    frames:    valid frames, the same number in all chunks but the last.
    samples:   planar, shape (channels, whole cells), zeros after ``frames``.
    across:    the same samples as (32, channels, cells): first samples of all cells, then second.
    low, high: extremes of the valid samples of each cell, shape (channels, cells).
    size:      largest absolute sample of each cell, shape (channels, cells).
    peaks:     largest absolute sample of each channel, shape (channels,).
    sums:      of the samples of each cell, shape (channels, cells).
    energies:  sums of squares of every 1,024 frames, the last perhaps of fewer, shape
               (channels, segments).
    """

    start: int
    frames: int
    samples: Floats
    across: Floats
    low: Floats
    high: Floats
    size: Floats
    peaks: Floats
    sums: Floats
    energies: Floats

    @property
    def valid(self) -> Floats:
        """The samples without the zeros that fill the last cell."""
        return self.samples[:, : self.frames]


def chunk_frames(channels: int) -> int:
    """Frames of a chunk: CHUNK_FRAMES, fewer from three channels on, a multiple of CHUNK_STEP."""
    wanted = CHUNK_SAMPLES // max(channels, 1) // CHUNK_STEP * CHUNK_STEP
    return min(max(wanted, CHUNK_STEP), CHUNK_FRAMES)


def chunk_of(samples: Floats, start: int, scratch: Scratch) -> Chunk:
    """A chunk of at least one frame; only a last one, short of whole cells, is copied."""
    frames = samples.shape[1]
    missing = -frames % CELL_FRAMES
    whole: Floats = np.pad(samples, ((0, 0), (0, missing))) if missing else samples
    # One transposing copy makes every reduction over a cell a few long vector operations.
    cells = whole.reshape(whole.shape[0], -1, CELL_FRAMES)
    across = scratch.array((CELL_FRAMES, *cells.shape[:2]), whole.dtype)
    for at in range(0, cells.shape[1], CACHED_CELLS):
        part = slice(at, at + CACHED_CELLS)
        across[:, :, part] = cells[:, part].transpose(2, 0, 1)
    low, high = across.min(axis=0), across.max(axis=0)
    if missing:
        rest = samples[:, frames + missing - CELL_FRAMES :]
        low[:, -1], high[:, -1] = rest.min(axis=1), rest.max(axis=1)
    size = np.maximum(high, -low)
    sums = cells @ np.ones(CELL_FRAMES, dtype=whole.dtype)
    energies = segment_energies(whole)
    return Chunk(start, frames, whole, across, low, high, size, size.max(axis=1), sums, energies)


def segment_energies(samples: Floats) -> Floats:
    """Sums of squares of every 1,024 frames, the last of what is left; planar in and out."""
    whole = samples.shape[1] // SEGMENT_FRAMES
    parts = samples[:, : whole * SEGMENT_FRAMES].reshape(len(samples), whole, SEGMENT_FRAMES)
    energies: Floats = np.matmul(parts[:, :, None, :], parts[:, :, :, None])[:, :, 0, 0]
    rest = samples[:, whole * SEGMENT_FRAMES :]
    if not rest.shape[1]:
        return energies
    return np.concatenate([energies, np.square(rest).sum(axis=1, keepdims=True)], axis=1)


class Reblocker:
    """Cuts blocks of any size into chunks of ``frames``.

    Always through one buffer: some vector code sums in an order that depends on where samples
    lie in memory, and facts must not.
    """

    def __init__(self, frames: int = CHUNK_FRAMES) -> None:
        self._frames = frames
        self._held: Floats | None = None
        self._fill = 0
        self._start = 0
        self._scratch = Scratch()

    def push(self, samples: Floats) -> Iterator[Chunk]:
        """Every chunk that ``samples`` completes; the rest is kept."""
        at = 0
        while at < samples.shape[1]:
            at += self._keep(samples[:, at:])
            if self._fill == self._frames and self._held is not None:
                self._fill = 0
                yield self._next(self._held)

    def flush(self) -> Iterator[Chunk]:
        """The last, short chunk, if any."""
        if self._fill and self._held is not None:
            fill, self._fill = self._fill, 0
            yield self._next(self._held[:, :fill])

    def _next(self, samples: Floats) -> Chunk:
        chunk = chunk_of(samples, self._start, self._scratch)
        self._start += chunk.frames
        return chunk

    def _keep(self, samples: Floats) -> int:
        if self._held is None:
            self._held = np.zeros((samples.shape[0], self._frames), dtype=samples.dtype)
        taken = min(self._frames - self._fill, int(samples.shape[1]))
        self._held[:, self._fill : self._fill + taken] = samples[:, :taken]
        self._fill += taken
        return taken
