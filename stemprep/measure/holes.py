"""Holes: digital zero inside a sound that goes on, as a buffer that came too late leaves it.

What looks alike and is none, each with its test:
- a pause, a muted region: no sound right beside it, or sound of another level behind it;
- an edit at zero crossings, a gate with ramps: both edges reach zero as the sound itself moves;
- a gate that cuts at a threshold: all its edges stand at one level;
- a chopped sound, a pulse wave: evenly spaced (kept apart, not thrown away).
"""

from __future__ import annotations

from array import array
from dataclasses import dataclass, field

import numpy as np
import numpy.typing as npt

from stemprep.dsp.cells import CELL_FRAMES, Chunk, Floats
from stemprep.dsp.history import History
from stemprep.dsp.runs import Positions, RunTally
from stemprep.units import ratio_from_db

MIN_HOLE_SAMPLES = 2 * CELL_FRAMES  # the shortest that must cover a whole cell
# Sound right beside an edge: one cell.
BESIDE_SAMPLES = 32
# 10 ms at 48 kHz, by which both sides of a hole are compared.
CONTEXT_SAMPLES = 480
LOWEST_BESIDE = ratio_from_db(-50.0)  # common practice, no source
MOST_LEVEL_CHANGE = ratio_from_db(12.0)  # common practice, no source
RAMP_SAMPLES = 6  # of a gate's ramp of half a millisecond: still under a quarter of the level
# Of the peak near an edge: a gate's ramp is below it in its last samples, a cut is not.
RAMP_SHARE = 0.15
SLOW_SHARE = 0.12  # sound that moves by less of its peak a sample shows whether an edge is a jump
# Times the sound's own step: an edge that steps no further comes to zero by itself.
SLOPE_SLACK = 1.25
# Of the sound's own step: an edge sample nearer to zero is a zero crossing.
NEAREST = 0.5
# Steps of one length in a row: fewer may be chance.
MIN_REGULAR = 4
# Of a step: how far the next one may differ and still be called as long.
REGULAR_SHARE = 0.01
# Holes that a threshold is read from: fewer agree by chance.
MIN_GATED = 3
# Of all edges that have to stand at one level before it is called a threshold.
GATED_SHARE = 0.75
# 3 dB either way: edges that stand at one level, seen sample by sample.
THRESHOLD_RATIO = 1.4


@dataclass
class _Line:
    """What is known about one channel.

    since:  first frame of the zeros that reach the end of what was seen; None in sound.
    before: sound before those zeros, latest sample last.
    waiting: finished zeros of which the sound behind is not yet there.
    edges:  level at both edges of each listed hole.
    """

    since: int | None = None
    before: Floats = field(default_factory=lambda: np.zeros(0))
    waiting: list[tuple[int, int, Floats]] = field(default_factory=list)
    tally: RunTally = field(default_factory=RunTally)
    edges: array[float] = field(default_factory=lambda: array("d"))


class Holes:
    """Zeros of 64 samples and more, found by cells that are zero throughout."""

    def __init__(self, channels: int) -> None:
        self._lines = [_Line() for _ in range(channels)]

    def add(self, chunk: Chunk, history: History) -> None:
        """Find the zeros of one chunk; judge those whose surroundings are known now."""
        zero = None if chunk.size.all() else chunk.size == 0
        for channel, line in enumerate(self._lines):
            if zero is not None and zero[channel].any():
                self._follow(line, zero[channel], channel, chunk, history)
            elif line.since is not None:
                self._close(line, chunk.start, channel, history)
            if line.waiting:
                self._judge(line, channel, history, history.end)

    def finish(self, history: History) -> list[tuple[RunTally, RunTally]]:
        """Holes and regular holes of every channel; call once, after the last chunk."""
        for channel, line in enumerate(self._lines):
            self._judge(line, channel, history, history.end + CONTEXT_SAMPLES)
        return [_sorted_out(line) for line in self._lines]

    def _follow(
        self, line: _Line, zero: Floats, channel: int, chunk: Chunk, history: History
    ) -> None:
        bounds = np.flatnonzero(np.diff(np.concatenate([[False], zero, [False]])))
        for first, last in bounds.reshape(-1, 2).tolist():
            start, end = (chunk.start + cell * CELL_FRAMES for cell in (first, last))
            if line.since is not None and start > chunk.start:
                self._close(line, chunk.start, channel, history)
            if line.since is None:
                self._open(line, start, channel, history)
            if end < chunk.start + chunk.frames:
                self._close(line, end, channel, history)

    def _open(self, line: _Line, cell: int, channel: int, history: History) -> None:
        """Zeros begin in the cell before ``cell`` or with it."""
        context = history.window(channel, cell - CONTEXT_SAMPLES - CELL_FRAMES, cell)
        sound = np.flatnonzero(context)
        kept = int(sound[-1]) + 1 if sound.size else 0
        line.since = cell - (context.size - kept)
        line.before = context[max(0, kept - CONTEXT_SAMPLES) : kept].copy()

    def _close(self, line: _Line, cell: int, channel: int, history: History) -> None:
        """Zeros end in the cell from ``cell`` on."""
        sound = np.flatnonzero(history.window(channel, cell, cell + CELL_FRAMES))
        end = cell + (int(sound[0]) if sound.size else 0)
        since, line.since = line.since, None
        if since is not None and end - since >= MIN_HOLE_SAMPLES and _sounds(line.before):
            line.waiting.append((since, end, line.before))

    def _judge(self, line: _Line, channel: int, history: History, known_end: int) -> None:
        waiting, line.waiting = line.waiting, []
        for start, end, before in waiting:
            if end + CONTEXT_SAMPLES > known_end:
                line.waiting.append((start, end, before))
                continue
            behind = history.window(channel, end, end + CONTEXT_SAMPLES)[::-1]
            if is_hole(before, behind):
                listed = line.tally.add(np.array([start]), np.array([end]))
                line.edges.extend([abs(float(before[-1])), abs(float(behind[-1]))] * listed)


def is_hole(before: Floats, behind: Floats) -> bool:
    """Tell a gap in a sound that goes on from a pause, an edit and a ramped gate.

    Both stretches of sound end at the gap: the sound behind it is given backwards.
    """
    if not (_sounds(before) and _sounds(behind)):
        return False
    left, right = (float(np.sqrt(np.mean(np.square(side)))) for side in (before, behind))
    if max(left, right) > MOST_LEVEL_CHANGE * min(left, right):
        return False
    return is_abrupt(before) or is_abrupt(behind)


def is_abrupt(sound: Floats) -> bool:
    """Tell whether a sound breaks off at its end, instead of reaching zero by its own movement.

    A sound that moves fast shows no jump; there only a ramp tells that it was let out.
    """
    size = np.abs(sound)
    peak, last = float(size.max(initial=0.0)), float(size[-1]) if size.size else 0.0
    near = sound[-RAMP_SAMPLES:]
    steps = np.abs(np.diff(near))
    if float(steps.max(initial=0.0)) > SLOW_SHARE * peak:
        return float(np.abs(near).max(initial=0.0)) > RAMP_SHARE * peak
    step = float(steps[-1]) if steps.size else 0.0
    is_returning = sound.size > 1 and last <= abs(float(sound[-2]))
    return last > NEAREST * step and not (is_returning and last <= SLOPE_SLACK * step)


def _sounds(side: Floats) -> bool:
    near = side[-BESIDE_SAMPLES:]
    return bool(near.size) and float(np.abs(near).max()) >= LOWEST_BESIDE


def _sorted_out(line: _Line) -> tuple[RunTally, RunTally]:
    runs = np.array(list(line.tally), dtype=np.int64).reshape(-1, 2)
    if _is_gated(np.array(line.edges)):
        return RunTally(), RunTally()
    regular = _regular(runs)
    irregular, even = RunTally(), RunTally()
    irregular.add(*runs[~regular].T)
    even.add(*runs[regular].T)
    irregular.count += line.tally.count - len(runs)
    irregular.samples += line.tally.samples - int((runs[:, 1] - runs[:, 0]).sum())
    return irregular, even


def _is_gated(edges: Floats) -> bool:
    """True where nearly all edges stand at one level: the threshold of a gate."""
    if edges.size < 2 * MIN_GATED:
        return False
    ratio = edges / max(float(np.median(edges)), 1e-12)
    near = (ratio < THRESHOLD_RATIO) & (ratio > 1 / THRESHOLD_RATIO)
    return float(near.mean()) >= GATED_SHARE


def _regular(runs: Positions) -> npt.NDArray[np.bool_]:
    """Mark holes of one length at one distance, four or more in a row."""
    marked = np.zeros(len(runs), dtype=bool)
    if len(runs) < MIN_REGULAR:
        return marked
    lengths, steps = runs[:, 1] - runs[:, 0], np.diff(runs[:, 0])
    slack = np.maximum(2, REGULAR_SHARE * steps)
    alike = np.abs(np.diff(lengths)) <= slack
    even = alike[1:] & alike[:-1] & (np.abs(np.diff(steps)) <= slack[1:])
    for at in np.flatnonzero(even[:-1] & even[1:]) if even.size > 1 else ():
        marked[at : at + MIN_REGULAR] = True
    return marked
