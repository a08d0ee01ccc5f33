"""Clicks: a few samples that the sound before and after does not foretell.

Three gates, each dearer and seldomer than the one before:
- the sharpest and the highest cell of every 1,024 samples, where it stands out of the others;
- those that stand out of everything 20 ms either side: an onset is followed by its own sound;
- linear prediction fitted without the suspect; a handful of samples, made anew from both sides,
  must leave an error like the one around. A step, an attack or a crackle does not.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from stemprep.dsp.cells import CELL_FRAMES, Chunk, Floats
from stemprep.dsp.history import History
from stemprep.dsp.prediction import Signal, error_filter, interpolated, prediction_error
from stemprep.dsp.runs import Positions
from stemprep.model.facts import MAX_LISTED_RUNS, ClickFacts
from stemprep.units import db_from_ratio, ratio_from_db

FRAME_CELLS = 32
OVER_NEIGHBOURS = 1.8  # no click that the later gates keep comes nearer
GUARD_CELLS = 3  # a click of 64 samples and three differences touch four cells at most
LEAST_SHARPNESS = 1.0  # third difference of a click against its height: 3 for one sample
SHARE_OF_SIZE = 0.25  # what a single sample 21 dB below the sound around still reaches
LOWEST = ratio_from_db(-60.0)
AROUND_S = 0.025
ORDER = 32
LONGEST = 64
LENGTHS = (1, 2, 3, 4, 6, 8, 11, 16, 23, 32, 45, 64)
MIN_SIGMAS = 5.0
OVER_ERROR = 1.5
NORMAL = 1.3
LEAST_PART = 0.03  # of what was added: less at its ends is the sound itself
MIN_HEIGHT = ratio_from_db(-30.0)
MOST_IN_A_CHUNK = 12  # those that stand out most: bounds the time for sound that crackles
MOST_CHANGE = 5.0  # of the usual error from before to behind: more is an onset
OVER_ONSET = 25.0  # of the usual error behind: no onset jumps that high
LEAST_ERROR = 0.02  # of the click's: what is left below is gone
SHORT = 8
BESIDE = 256
BESIDE_CELLS = 8
OVER_ONSET_CELLS = 6.0
MARGIN = LONGEST + ORDER + CELL_FRAMES
_WITHIN = np.arange(FRAME_CELLS)


class Clicks:
    """One search over all channels."""

    def __init__(self, channels: int, rate_hz: int) -> None:
        self._reach = max(1, round(0.02 * rate_hz / CELL_FRAMES))
        self._around = max(round(AROUND_S * rate_hz), 4 * MARGIN)
        self._known: Floats = np.zeros((2, channels, 0), dtype=np.float32)
        self._suspects: Positions = np.zeros((3, 0), dtype=np.int64)
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
        new = np.stack([sharp, chunk.size])
        suspects = _loners(new)
        suspects[2] += self._known.shape[2]
        self._suspects = np.concatenate([self._suspects, suspects], axis=1)
        self._known = np.concatenate([self._known, new], axis=2)
        self._cells += sharp.size
        self._pick(self._known.shape[2] - self._reach)
        dropped = max(0, self._known.shape[2] - 2 * self._reach)
        self._known = self._known[:, :, dropped:]
        self._suspects[2] -= dropped
        self._first_cell += dropped
        self._look(history, history.end)

    def finish(self, history: History) -> None:
        """Judge the rest; call once, after the last chunk."""
        self._pick(self._known.shape[2])
        self._look(history, history.end + self._around)

    def _pick(self, stop: int) -> None:
        """Choose those to be looked at among the suspects before cell ``stop``."""
        is_due = self._suspects[2] < stop
        if not is_due.any():
            return
        due, self._suspects = self._suspects[:, is_due], self._suspects[:, ~is_due]
        over = self._stands_out(*due)
        ranked: dict[tuple[int, int], float] = {}
        for which in np.flatnonzero(over > OVER_NEIGHBOURS).tolist():
            key = (int(due[1, which]), (self._first_cell + int(due[2, which])) * CELL_FRAMES)
            ranked[key] = max(float(over[which]), ranked.get(key, 0.0))
        best = sorted(ranked, key=lambda key: (-ranked[key], key))
        self._waiting += best[:MOST_IN_A_CHUNK]

    def _stands_out(self, measure: Positions, channel: Positions, cell: Positions) -> Signal:
        """How far each cell is over all that lies within reach; 0 where it cannot be a click."""
        reach = self._reach
        kinds, channels, cells = self._known.shape
        known = np.zeros((kinds, channels, cells + 2 * reach), dtype=self._known.dtype)
        known[:, :, reach : reach + cells] = self._known
        columns = cell[:, None] + np.arange(2 * reach + 1)
        rows = channel[:, None]
        heights, sharp, sizes = (
            known[kind, rows, columns].astype(np.float64) for kind in (measure[:, None], 0, 1)
        )
        middle = heights[:, reach]
        left, right = slice(0, reach - GUARD_CELLS), slice(reach + GUARD_CELLS + 1, None)
        needed = np.where(measure == 0, 1.0, LEAST_SHARPNESS) * middle
        is_sharp = sharp[:, left.stop : right.start].max(axis=1) >= needed
        size = np.maximum(_highest(sizes[:, left]), _highest(sizes[:, right]))
        is_high = middle >= np.maximum(LOWEST, SHARE_OF_SIZE * size)
        before = heights[:, left][:, -BESIDE_CELLS:].sum(axis=1)
        behind = heights[:, right][:, :BESIDE_CELLS].sum(axis=1)
        high = np.maximum(before, behind)
        is_onset = high > MOST_CHANGE * np.minimum(before, behind)
        is_onset &= BESIDE_CELLS * middle < OVER_ONSET_CELLS * high
        around = np.maximum(_highest(heights[:, left]), _highest(heights[:, right]))
        over: Signal = middle / np.maximum(around, LOWEST)
        over[~is_sharp | ~is_high | is_onset] = 0.0
        return over

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
        near = [c for c in self.found[-MOST_IN_A_CHUNK:] if c.channel == channel + 1]
        if any(c.start < first + LONGEST and first < c.end + LONGEST for c in near):
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
    before = _middle(size[max(0, first - BESIDE) : first])
    behind = _middle(size[last : last + BESIDE])
    is_onset = max(before, behind) > MOST_CHANGE * min(before, behind)
    if is_onset and peak < OVER_ONSET * max(before, behind):
        return None
    limit = max(NORMAL * most, LEAST_ERROR * peak)
    loud = np.flatnonzero(inside > limit) + first
    return _shortest(sound, taps, loud, limit, peak / usual)


def _shortest(
    sound: Signal, taps: Signal, loud: npt.NDArray[np.int64], limit: float, sigmas: float
) -> tuple[int, int, float, float] | None:
    """The fewest samples that, made anew, leave no error over ``limit``."""
    start, reach = int(loud[0]), int(loud[-1]) - int(loud[0]) + 1 - ORDER
    usual = max(np.abs(sound[: start - SHORT]).max(), np.abs(sound[start + LONGEST :]).max())
    is_high = np.abs(sound[start : start + LONGEST]).max() >= usual
    lengths = [length for length in LENGTHS if reach <= length and (is_high or length <= SHORT)]
    # What the longest stretch does not mend, no shorter one does: most suspects end here.
    if not lengths or not _mended(sound, taps, start, lengths[-1], limit)[0]:
        return None
    for length in lengths:
        is_mended, at, added = _mended(sound, taps, start, length, limit)
        if not is_mended:
            continue
        behind = at + added.size
        if not (sound[at - ORDER : at].any() and sound[behind : behind + ORDER].any()):
            return None  # digital silence beside it: the edge of a gate, or of a hole
        size = np.abs(added)
        peak = max(np.abs(sound[:at]).max(), np.abs(sound[at + size.size :]).max())
        height = float(size.max() / peak) if peak else 0.0
        part = np.flatnonzero(size >= LEAST_PART * size.max())
        at, count = at + int(part[0]), int(part[-1] - part[0]) + 1
        return (at, count, height, sigmas) if height >= MIN_HEIGHT else None
    return None


def _mended(
    sound: Signal, taps: Signal, start: int, length: int, limit: float
) -> tuple[bool, int, Signal]:
    """Whether ``length`` samples, and a few before, made anew leave no error over ``limit``.

    Gives also where they begin, and what the sound had more than they have.
    """
    at = start - length // 8
    made = interpolated(sound, taps, at, start + length - at)
    mended = sound[at - ORDER : start + length + ORDER].copy()
    added = mended[ORDER : ORDER + made.size] - made
    mended[ORDER : ORDER + made.size] = made
    return bool(np.abs(prediction_error(mended, taps)).max() <= limit), at, added


def _middle(values: Signal) -> float:
    """The upper middle value; np.median would load a module for masked arrays."""
    return float(np.partition(values, values.size // 2)[values.size // 2])


def _highest(cells: Signal) -> Signal:
    """The highest of each row; 0 for rows without cells (a low rate has few within reach)."""
    highest: Signal = cells.max(axis=1, initial=0.0)
    return highest


def _loners(measures: Floats) -> Positions:
    """The highest cell of every 32 where nothing further than its neighbours comes near.

    measures: (kinds, channels, cells); gives kind, channel and cell, one column each.
    """
    kinds, channels, cells = measures.shape
    missing = -cells % FRAME_CELLS
    padded = np.pad(measures, ((0, 0), (0, 0), (0, missing))) if missing else measures
    frames = padded.reshape(kinds, channels, -1, FRAME_CELLS)
    tops = frames.max(axis=3)
    if float(tops[0].max()) <= LOWEST:
        return np.zeros((3, 0), dtype=np.int64)
    # Low notes go no further than this: nothing in such a frame is sharp enough for a click.
    places = np.nonzero(tops[0] > np.maximum(SHARE_OF_SIZE * tops[1], LOWEST))
    chosen = frames[:, places[0], places[1]]
    at = chosen.argmax(axis=2)
    is_far = np.abs(_WITHIN - at[:, :, None]) > GUARD_CELLS
    rest = (chosen * is_far).max(axis=2)
    top = tops[:, places[0], places[1]]
    is_alone = top > OVER_NEIGHBOURS * rest
    is_alone[1] &= top[0] > LEAST_SHARPNESS * top[1]
    kind, which = np.nonzero(is_alone)
    found = at[kind, which] + places[1][which] * FRAME_CELLS
    return np.stack([kind, places[0][which], found])
