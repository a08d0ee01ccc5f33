"""Repeated buffers: samples that are an exact copy of those shortly before.

Content finds the copies: where the third difference peaks, its value is the key. Two equal keys
within the longest distance are compared sample by sample. Copies that are music: periods of a
steady tone and loops (more than three in a row), one sound started twice (it begins with a rise),
shapes of few different samples (squares, clipped sound, silence).
"""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass, field

import numpy as np
import numpy.typing as npt

from stemprep.dsp.cells import CELL_FRAMES, Chunk, Floats
from stemprep.dsp.history import History
from stemprep.dsp.runs import Positions, RunTally
from stemprep.dsp.sharpness import ORDER

# The smallest usual buffer of a sound card, in samples (common practice, no source).
SHORTEST = 64
MAX_LAG = 4_800  # common practice: buffers of up to 4,096 samples
# The same in cells, rounded up.
MAX_LAG_CELLS = MAX_LAG // CELL_FRAMES + 1
# More copies in a row are the periods of a steady tone or a loop.
MOST_PERIODS = 3
# What has to be at hand to look so many periods back and the copy itself.
HISTORY_FRAMES = (MOST_PERIODS + 2) * MAX_LAG
LOWEST_KEY = 2.0**-12  # 8 steps of 16 bit, 2,048 of 24: below, equal values are chance
SURE_KEY = 2.0**-9  # 16,384 steps of 24 bit: one equal value is no chance
# Samples either side of a key that must agree before all are compared.
SAME = 16
MOST_LOOKS = 3  # a channel and chunk
# Values in a copy: squares, clipped sound and silence have fewer.
MIN_DISTINCT = 16
# The same for long copies, of their samples.
MIN_DISTINCT_SHARE = 0.1
# 12 dB over the sound before: what rises further is one sound that was started twice.
MOST_RISE = 4.0
# 10 ms at 48 kHz, by which the level before and in a copy is told.
BESIDE = 480


@dataclass
class _Line:
    """One channel: keys within reach and their cells, how far copies are settled, one growing."""

    keys: Floats = field(default_factory=lambda: np.zeros(0, dtype=np.float32))
    cells: Positions = field(default_factory=lambda: np.zeros(0, dtype=np.int64))
    done: int = 0
    open: tuple[int, int] | None = None
    tally: RunTally = field(default_factory=RunTally)


class Repeats:
    """One search over all channels."""

    def __init__(self, channels: int) -> None:
        self._lines = [_Line() for _ in range(channels)]
        self._edge: Floats = np.full((channels, 4), np.inf, dtype=np.float32)
        self._cell = -4

    def add(self, chunk: Chunk, sharp: Floats, history: History) -> None:
        """``sharp``: largest third differences of this chunk's cells, (channels, cells)."""
        known = np.concatenate([self._edge, sharp], axis=1)
        tops = _tops(known)
        first = self._cell + 2
        self._edge, self._cell = known[:, -4:], self._cell + sharp.shape[1]
        for channel, line in enumerate(self._lines):
            if line.open is not None:
                self._grow(line, channel, history, *line.open)
            places = tops[channel].nonzero()[0]
            if places.size:
                keys = known[channel, 2:-2][places]
                self._compare(line, keys, places + first, channel, history)

    def finish(self) -> list[RunTally]:
        """Copies in each channel; one that reaches the end of the file counts as it is."""
        return [line.tally for line in self._lines]

    def _compare(
        self, line: _Line, keys: Floats, cells: Positions, channel: int, history: History
    ) -> None:
        pairs = _twins(line, keys, cells)
        if not pairs:
            return
        # A copy shows in several anchors at one distance, chance in one: most votes first.
        votes = Counter(late - early for early, late, _ in pairs)
        likely = [pair for pair in pairs if pair[2] or votes[pair[1] - pair[0]] > 1]
        likely.sort(key=lambda pair: (-votes[pair[1] - pair[0]], pair))
        looks = 0
        for early, late, _ in likely:
            if late * CELL_FRAMES < line.done:
                continue
            looks += 1
            if looks > MOST_LOOKS:
                break
            self._look(line, channel, history, early, late)

    def _look(self, line: _Line, channel: int, history: History, early: int, late: int) -> None:
        before, after = (_sharpest(history, channel, cell) for cell in (early, late))
        lag = after - before
        if not SHORTEST <= lag <= MAX_LAG:
            return
        one = history.window(channel, before - SAME, before + SAME)
        two = history.window(channel, after - SAME, after + SAME)
        if one.size == two.size and bool((one == two).all()):
            self._grow(line, channel, history, lag, after)

    def _grow(self, line: _Line, channel: int, history: History, lag: int, at: int) -> None:
        """Follow a copy at ``lag`` to both sides of sample ``at``."""
        line.open = None
        first = max(history.start, at - (MOST_PERIODS + 1) * lag)
        sound = history.window(channel, first, at + (MOST_PERIODS + 1) * lag)
        differs = np.flatnonzero(sound[lag:] != sound[:-lag]) + lag + first
        after, before = differs[differs > at], differs[differs < at]
        start = int(before[-1]) + 1 if before.size else first + lag
        end = int(after[0]) if after.size else first + sound.size
        line.done = max(line.done, end)
        if not after.size and end == history.end and end - start <= MOST_PERIODS * lag:
            line.open = (lag, max(start, end - 1))
            line.done = end
            return
        if end - start <= MOST_PERIODS * lag and is_copy(sound, start - first, end - first):
            line.tally.add(np.array([start]), np.array([end]))


def _tops(known: Floats) -> npt.NDArray[np.bool_]:
    """Which cells are higher than two neighbours on either side; the outermost two are not told."""
    centre = known[:, 2:-2]
    rises = known[:, 1:] > known[:, :-1]
    tops: npt.NDArray[np.bool_] = rises[:, 1:-2] > rises[:, 2:-1]  # up to it, not up behind it
    tops &= centre > known[:, :-4]
    tops &= centre >= known[:, 4:]
    tops &= centre >= LOWEST_KEY
    return tops


def _twins(line: _Line, keys: Floats, cells: Positions) -> list[tuple[int, int, bool]]:
    """Each new cell with the last before it, within reach, that has the same key; is it sure?"""
    known_keys = np.concatenate([line.keys, keys])
    known_cells = np.concatenate([line.cells, cells])
    reach = int(known_cells.searchsorted(cells[-1] - MAX_LAG_CELLS))
    line.keys, line.cells = known_keys[reach:], known_cells[reach:]
    order = known_keys.argsort(kind="stable")
    ranked = known_keys[order]
    equal = (ranked[1:] == ranked[:-1]).nonzero()[0]
    if not equal.size:
        return []
    early, late = known_cells[order[equal]].tolist(), known_cells[order[equal + 1]].tolist()
    first = int(cells[0])
    return [
        (one, two, key >= SURE_KEY)
        for one, two, key in zip(early, late, ranked[equal].tolist(), strict=True)
        if two >= first and two - one <= MAX_LAG_CELLS
    ]


def is_copy(sound: Floats, start: int, end: int) -> bool:
    """Tell a repeated buffer from shapes that come back by themselves and sounds started twice."""
    copy = sound[start:end]
    if copy.size < SHORTEST:
        return False
    if np.unique(copy).size < max(MIN_DISTINCT, MIN_DISTINCT_SHARE * copy.size):
        return False
    begins = copy[:BESIDE]
    before = sound[max(0, start - begins.size) : start]
    if not before.size:
        return False
    was, becomes = (float(np.sqrt(np.mean(np.square(side)))) for side in (before, begins))
    return 0 < becomes <= MOST_RISE * was


def _sharpest(history: History, channel: int, cell: int) -> int:
    """Sample of the largest third difference in a cell."""
    start = cell * CELL_FRAMES
    sound = history.window(channel, start - ORDER, start + CELL_FRAMES)
    missing = CELL_FRAMES + ORDER - sound.size
    bends = np.abs(np.diff(sound, n=ORDER))
    if not bends.size:
        return start
    return start + int(np.argmax(bends)) + (missing if start < history.start + ORDER else 0)
