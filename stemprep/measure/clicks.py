"""Clicks: a few samples that the sound before and after does not foretell.

Three gates, each dearer and seldomer than the one before:
- cells of which the third difference stands out of its stretch of 1,024 samples;
- cells that stand out of everything 20 ms either side: an onset is followed by its own sound;
- linear prediction fitted without the suspect; a handful of samples, made anew from both sides,
  must leave an error like the one around. A step, an attack or a crackle does not.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from stemprep.dsp.cells import CELL_FRAMES, Chunk, Floats
from stemprep.dsp.history import History
from stemprep.dsp.prediction import Signal, error_filter, interpolated, prediction_error
from stemprep.model.facts import MAX_LISTED_RUNS, ClickFacts
from stemprep.units import db_from_ratio, ratio_from_db

FRAME_CELLS = 32
OVER_MEDIAN = 3.0
OVER_NEIGHBOURS = 1.35
GUARD_CELLS = 3  # a click of 64 samples and three differences touch four cells at most
SHARE_OF_SIZE = 0.25  # what a single sample 21 dB below the sound around still reaches
LOWEST = ratio_from_db(-60.0)
AROUND_S = 0.025
ORDER = 32
LONGEST = 64
LENGTHS = (1, 2, 3, 4, 6, 8, 11, 16, 23, 32, 45, 64)
MIN_SIGMAS = 7.0
OVER_ERROR = 1.5
NORMAL = 1.3
MIN_HEIGHT = ratio_from_db(-30.0)
MOST_IN_A_CHUNK = 6  # those that stand out most: bounds the time for sound that crackles
MOST_CHANGE = 5.0  # of the usual error from before to behind: more is an onset
SHORT = 8
BESIDE = 256
MARGIN = LONGEST + ORDER + CELL_FRAMES


class Clicks:
    """One search over all channels."""

    def __init__(self, channels: int, rate_hz: int) -> None:
        self._reach = max(1, round(0.02 * rate_hz / CELL_FRAMES))
        self._around = max(round(AROUND_S * rate_hz), 4 * MARGIN)
        self._sharp: Floats = np.zeros((channels, 0))
        self._medians: Floats = np.zeros((channels, 0))
        self._sizes: Floats = np.zeros((channels, 0))
        self._first_cell = 0
        self._waiting: list[tuple[int, int]] = []
        self._cells = self._searched = 0
        self.found: list[ClickFacts] = []
        self.count = 0

    @property
    def history_frames(self) -> int:
        """How many samples before the chunk at hand the search reads."""
        return 2 * self._around + (self._reach + FRAME_CELLS) * CELL_FRAMES

    @property
    def searched_share(self) -> float:
        """Share of cells at which prediction was tried."""
        return self._searched / max(1, self._cells)

    def add(self, chunk: Chunk, sharp: Floats, history: History) -> None:
        """Judge cells of which both sides are known; ``sharp``: (channels, cells) of this chunk."""
        known = np.concatenate([self._sharp, sharp], axis=1)
        medians = np.concatenate([self._medians, _frame_medians(sharp)], axis=1)
        self._cells += sharp.size
        sizes = np.concatenate([self._sizes, chunk.size], axis=1)
        self._pick(known, medians, sizes, known.shape[1] - self._reach)
        kept = slice(-2 * self._reach, None)
        self._sharp, self._medians, self._sizes = known[:, kept], medians[:, kept], sizes[:, kept]
        self._first_cell += known.shape[1] - self._sharp.shape[1]
        self._look(history, history.end)

    def finish(self, history: History) -> None:
        """Judge the rest; call once, after the last chunk."""
        quiet = np.zeros((self._sharp.shape[0], self._reach), dtype=self._sharp.dtype)
        known = np.concatenate([self._sharp, quiet], axis=1)
        medians = np.concatenate([self._medians, quiet], axis=1)
        sizes = np.concatenate([self._sizes, quiet], axis=1)
        self._pick(known, medians, sizes, known.shape[1] - self._reach)
        self._look(history, history.end + self._around)

    def _pick(self, sharp: Floats, medians: Floats, sizes: Floats, stop: int) -> None:
        """Note suspects among the cells up to ``stop`` that were not judged before."""
        first = self._reach if self._first_cell else 0
        seen = sharp[:, first:stop]
        limit = np.maximum(OVER_MEDIAN * medians[:, first:stop], LOWEST)
        channels, cells = np.nonzero((seen > limit) & (seen > SHARE_OF_SIZE * sizes[:, first:stop]))
        ranked = []
        for channel, cell in zip(channels.tolist(), (cells + first).tolist(), strict=True):
            over = self._stands_out(sharp[channel], sizes[channel], cell)
            if over > OVER_NEIGHBOURS:
                ranked.append((-over, channel, (self._first_cell + cell) * CELL_FRAMES))
        self._waiting += [(channel, cell) for _, channel, cell in sorted(ranked)[:MOST_IN_A_CHUNK]]

    def _stands_out(self, sharp: Floats, sizes: Floats, cell: int) -> float:
        """How far a cell is over all that lies within reach; 0 where it cannot be a click."""
        first, last = max(0, cell - self._reach), cell + self._reach + 1
        near = slice(max(0, cell - GUARD_CELLS), cell + GUARD_CELLS + 1)
        middle = float(sharp[cell])
        if middle < float(sharp[near].max()):
            return 0.0
        left, right = slice(first, near.start), slice(near.stop, last)
        around = max(float(sharp[side].max(initial=0.0)) for side in (left, right))
        size = max(float(sizes[side].max(initial=0.0)) for side in (left, right))
        return 0.0 if middle < SHARE_OF_SIZE * size else middle / max(around, LOWEST)

    def _look(self, history: History, known_end: int) -> None:
        waiting, self._waiting = self._waiting, []
        for channel, cell in waiting:
            if cell + CELL_FRAMES + self._around > known_end:
                self._waiting.append((channel, cell))
                continue
            self._searched += 1
            start = cell - self._around
            window = history.window(channel, start, cell + CELL_FRAMES + self._around)
            before = max(start, history.start)
            found = click_in(np.asarray(window, dtype=np.float64), cell - before)
            if found is not None:
                self._keep(channel, before, *found)

    def _keep(
        self, channel: int, start: int, at: int, length: int, height: float, s: float
    ) -> None:
        first = start + at
        if any(c.channel == channel + 1 and c.end >= first for c in self.found[-4:]):
            return
        self.count += 1
        if len(self.found) < MAX_LISTED_RUNS:
            self.found.append(
                ClickFacts(
                    channel=channel + 1,
                    start=first,
                    end=first + length,
                    height_db=db_from_ratio(height),
                    sigmas=s,
                )
            )


def click_in(sound: Signal, cell: int) -> tuple[int, int, float, float] | None:
    """Look for a click in the cell from sample ``cell`` on.

    Gives first sample, length, largest sample of what was added against the largest around, and
    the largest prediction error in deviations of that around; None where nothing is a click.
    """
    first, last = cell - MARGIN, cell + CELL_FRAMES + MARGIN
    if first < 4 * ORDER or last > sound.size - 4 * ORDER:
        return None
    taps = error_filter([sound[:first], sound[last:]], ORDER)
    error = np.concatenate([np.zeros(ORDER), prediction_error(sound, taps)])
    size = np.abs(error)
    outside = np.concatenate([size[ORDER:first], size[last + ORDER :]])
    usual, most = _middle(outside) / 0.6745, float(outside.max())
    inside = size[first:last]
    peak = float(inside.max())
    if peak < MIN_SIGMAS * usual or peak < OVER_ERROR * most or not usual:
        return None
    before, behind = _middle(size[first - BESIDE : first]), _middle(size[last : last + BESIDE])
    if max(before, behind) > MOST_CHANGE * min(before, behind):
        return None
    limit = max(NORMAL * most, peak / 1e6)
    loud = np.flatnonzero(inside > limit) + first
    return _shortest(sound, taps, loud, limit, peak / usual)


def _shortest(
    sound: Signal, taps: Signal, loud: npt.NDArray[np.int64], limit: float, sigmas: float
) -> tuple[int, int, float, float] | None:
    """The fewest samples that, made anew, leave no error over ``limit``."""
    start, reach = int(loud[0]), int(loud[-1]) - int(loud[0]) + 1 - ORDER
    for length in LENGTHS:
        if length < reach:
            continue
        at = start - length // 8
        peak = max(np.abs(sound[:at]).max(), np.abs(sound[at + length :]).max())
        if length > SHORT and np.abs(sound[at : at + length]).max() < peak:
            return None
        made = interpolated(sound, taps, at, length)
        mended = sound[at - ORDER : at + length + ORDER].copy()
        added = mended[ORDER : ORDER + length] - made
        mended[ORDER : ORDER + length] = made
        if np.abs(prediction_error(mended, taps)).max() > limit:
            continue
        height = float(np.abs(added).max() / peak) if peak else 0.0
        return (at, length, height, sigmas) if height >= MIN_HEIGHT else None
    return None


def _middle(values: Signal) -> float:
    """The upper middle value; np.median would load a module for masked arrays."""
    return float(np.partition(values, values.size // 2)[values.size // 2])


def _frame_medians(sharp: Floats) -> Floats:
    """The middle value of every 32 cells, repeated for each of them; the last may be fewer."""
    channels, cells = sharp.shape
    whole = cells // FRAME_CELLS * FRAME_CELLS
    parts = sharp[:, :whole].reshape(channels, -1, FRAME_CELLS)
    middle = np.partition(parts, FRAME_CELLS // 2, axis=2)[:, :, FRAME_CELLS // 2]
    medians = np.repeat(middle, FRAME_CELLS, axis=1)
    if whole == cells:
        return medians
    rest = sharp[:, whole:]
    middle = np.partition(rest, rest.shape[1] // 2, axis=1)[:, rest.shape[1] // 2, None]
    return np.concatenate([medians, np.repeat(middle, rest.shape[1], axis=1)], axis=1)
