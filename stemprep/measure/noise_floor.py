"""What is left between the notes: the level of the pauses, from the energies of 0.1 s windows."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from stemprep.dsp.cells import CELL_FRAMES, SEGMENT_FRAMES, Chunk, Floats

# Shorter than most pauses between notes, longer than a period of the lowest notes.
WINDOW_S = 0.1
BATCH = 96  # windows at a time
# A histogram over all that double precision and a hot float file can show, to 0.25 dB.
LOWEST_DBFS, HIGHEST_DBFS, STEPS_PER_DB = -200, 50, 4
STEPS = (HIGHEST_DBFS - LOWEST_DBFS) * STEPS_PER_DB
SILENT = 1e-15  # mean square, -150 dBFS: under the last bit of 24
SEGMENT_CELLS = SEGMENT_FRAMES // CELL_FRAMES

MIN_WINDOWS = 40  # common practice, no source: less than some 4 s tell nothing about pauses
# The quietest twentieth stands for the pauses (as the check's manual says; no source).
PAUSE_SHARE = 0.05
# The lower end of the floor, from which ``MAX_SPREAD_DB`` counts.
LOWEST_SHARE = 0.01
# The sound's level: only one window in twenty is louder.
LOUD_SHARE = 0.95
MAX_SPREAD_DB = 2.0  # noise stays where it is; sound that dies away does not
HEAP_DB = 3.0  # noise heaps its windows so near to one level,
MIN_HEAP = 2.0  # so many times more of them than lie just above
MIN_RANGE_DB = 20.0  # so far under the sound, or there are no pauses


@dataclass(frozen=True, slots=True)
class Pauses:
    """The pauses of one channel: their level, and how far under the loud windows it lies."""

    level_dbfs: float
    range_db: float


class NoiseFloor:
    """How often each level occurs in each channel, in steps of a quarter of a decibel.

    The mean of a window is taken out, so that an offset is no noise; windows that touch 32 frames
    of digital silence are left out, since nothing was recorded there.
    """

    def __init__(self, rate_hz: int, channels: int) -> None:
        self._segments = max(round(WINDOW_S * rate_hz / SEGMENT_FRAMES), 1)
        self._counts = np.zeros((channels, STEPS), dtype=np.int64)
        self._held: list[tuple[Floats, Floats]] = []
        self._count = 0

    def add(self, chunk: Chunk) -> None:
        """Energies and sums of one chunk's whole segments; NaN where a cell is silent.

        Small copies: cells that are kept would push others out of the cache.
        """
        count = chunk.frames // SEGMENT_FRAMES
        shape = (len(chunk.sums), count, SEGMENT_CELLS)
        cells = slice(count * SEGMENT_CELLS)
        energies = chunk.energies[:, :count]
        if not chunk.size.all():
            is_whole = chunk.size[:, cells].reshape(shape).all(axis=2)
            energies = np.where(is_whole, energies, np.nan)
        ones = np.ones(SEGMENT_CELLS, dtype=chunk.sums.dtype)
        self._held.append((energies, chunk.sums[:, cells].reshape(shape) @ ones))
        self._count += count
        if self._count >= BATCH * self._segments:
            self._tally()

    def pauses(self) -> tuple[Pauses | None, ...]:
        """Those of each channel; None where the sound leaves none."""
        self._tally()
        return tuple(_pauses_of(counts) for counts in self._counts)

    def _tally(self) -> None:
        if self._count < self._segments:
            return
        energies, sums = (np.concatenate(part, axis=1) for part in zip(*self._held, strict=True))
        done = self._count // self._segments * self._segments
        self._held = [(energies[:, done:], sums[:, done:])]
        self._count -= done
        shape = (len(energies), -1, self._segments)
        energies = energies[:, :done].reshape(shape).sum(axis=2, dtype=np.float64)
        sums = sums[:, :done].reshape(shape).sum(axis=2, dtype=np.float64)
        frames = self._segments * SEGMENT_FRAMES
        powers = energies / frames - np.square(sums / frames)
        channels, windows = np.nonzero(powers > SILENT)  # false for NaN
        levels = 10 * np.log10(powers[channels, windows]) - LOWEST_DBFS
        steps = np.clip(np.rint(levels * STEPS_PER_DB), 0, STEPS - 1).astype(np.int64)
        np.add.at(self._counts, (channels, steps), 1)


def _pauses_of(counts: npt.NDArray[np.int64]) -> Pauses | None:
    """Steady and well under the sound, or none."""
    running = np.cumsum(counts)
    if running[-1] < MIN_WINDOWS:
        return None
    shares = np.array([LOWEST_SHARE, PAUSE_SHARE, LOUD_SHARE])
    places = np.searchsorted(running, np.ceil(shares * running[-1]))
    lowest, level, loud = (places / STEPS_PER_DB + LOWEST_DBFS).tolist()
    if level - lowest > MAX_SPREAD_DB or loud - level < MIN_RANGE_DB:
        return None
    return Pauses(level, loud - level) if _is_heap(running, int(places[1])) else None


def _is_heap(running: npt.NDArray[np.int64], place: int) -> bool:
    """Tell noise from sound that passes through a level on its way down."""
    width = int(HEAP_DB * STEPS_PER_DB)
    edges = np.clip(place + np.array([-1, 1, 3]) * width, 0, STEPS - 1)
    below, within, above = running[edges]
    return bool(within - below >= MIN_HEAP * (above - within))
