"""Repeated buffers: samples that are an exact copy of those shortly before.

Content finds the copies: where the third difference peaks, its value is the key. Two equal keys
within the longest distance are compared sample by sample. Copies that are music: periods of a
steady tone and loops (more than three in a row), one sound started twice (it begins with a rise),
shapes of few different samples (squares, clipped sound, silence).
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np

from stemprep.dsp.cells import CELL_FRAMES, Chunk, Floats
from stemprep.dsp.history import History
from stemprep.dsp.runs import Positions, RunTally
from stemprep.dsp.sharpness import ORDER

SHORTEST = 64
MAX_LAG = 4_800  # common practice: buffers of up to 4,096 samples
MOST_PERIODS = 3
HISTORY_FRAMES = (MOST_PERIODS + 2) * MAX_LAG
LOWEST_KEY = 2.0**-9  # 64 steps of 16 bit: below, equal values are chance
SAME = 16
MOST_LOOKS = 8  # a channel and chunk
MIN_DISTINCT = 16
MIN_DISTINCT_SHARE = 0.1
MOST_RISE = 4.0
BESIDE = 64


@dataclass
class _Line:
    """Anchors of one channel: keys and cells, in file order; runs still growing at the end."""

    keys: Floats = field(default_factory=lambda: np.zeros(0))
    cells: Positions = field(default_factory=lambda: np.zeros(0, dtype=np.int64))
    done: int = 0
    open: tuple[int, int] | None = None
    tally: RunTally = field(default_factory=RunTally)


class Repeats:
    """One search over all channels."""

    def __init__(self, channels: int) -> None:
        self._lines = [_Line() for _ in range(channels)]
        self._edge: Floats = np.full((channels, 2), np.inf)
        self._cell = -2

    def add(self, chunk: Chunk, sharp: Floats, history: History) -> None:
        """``sharp``: largest third differences of this chunk's cells, (channels, cells)."""
        known = np.concatenate([self._edge.astype(sharp.dtype), sharp], axis=1)
        centre = known[:, 1:-1]
        tops = (centre > known[:, :-2]) & (centre >= known[:, 2:]) & (centre >= LOWEST_KEY)
        first = self._cell + 1
        self._edge, self._cell = known[:, -2:], self._cell + sharp.shape[1]
        for channel, line in enumerate(self._lines):
            places = np.flatnonzero(tops[channel])
            if line.open is not None:
                self._grow(line, channel, history, *line.open)
            self._compare(line, centre[channel, places], places + first, channel, history)

    def finish(self) -> list[RunTally]:
        """Copies in each channel; one that reaches the end of the file counts as it is."""
        return [line.tally for line in self._lines]

    def _compare(
        self, line: _Line, keys: Floats, cells: Positions, channel: int, history: History
    ) -> None:
        if not cells.size:
            return
        near = line.cells >= cells[0] - MAX_LAG // CELL_FRAMES - 1
        new = int(np.count_nonzero(near))
        line.keys = np.concatenate([line.keys[near], keys])
        line.cells = np.concatenate([line.cells[near], cells])
        order = np.argsort(line.keys, kind="stable")
        ranked = line.keys[order]
        pairs = np.flatnonzero(ranked[1:] == ranked[:-1])
        late, early = order[pairs + 1], order[pairs]
        fits = (late >= new) & (line.cells[late] - line.cells[early] <= MAX_LAG // CELL_FRAMES + 1)
        late, early = line.cells[late[fits]], line.cells[early[fits]]
        looks = 0
        for at in np.argsort(late, kind="stable"):
            if late[at] * CELL_FRAMES < line.done:
                continue
            looks += 1
            if looks > MOST_LOOKS:
                break
            self._look(line, channel, history, int(early[at]), int(late[at]))

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


def is_copy(sound: Floats, start: int, end: int) -> bool:
    """Tell a repeated buffer from shapes that come back by themselves and sounds started twice."""
    copy = sound[start:end]
    if copy.size < SHORTEST:
        return False
    if np.unique(copy).size < max(MIN_DISTINCT, MIN_DISTINCT_SHARE * copy.size):
        return False
    before, begins = sound[max(0, start - BESIDE) : start], copy[:BESIDE]
    if not before.size:
        return False
    was, becomes = (float(np.sqrt(np.mean(np.square(side)))) for side in (before, begins))
    return becomes <= MOST_RISE * was


def _sharpest(history: History, channel: int, cell: int) -> int:
    """Sample of the largest third difference in a cell."""
    start = cell * CELL_FRAMES
    sound = history.window(channel, start - ORDER, start + CELL_FRAMES)
    missing = CELL_FRAMES + ORDER - sound.size
    bends = np.abs(np.diff(sound, n=ORDER))
    if not bends.size:
        return start
    return start + int(np.argmax(bends)) + (missing if start < history.start + ORDER else 0)
