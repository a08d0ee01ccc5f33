"""Clicks: a few samples that linear prediction from the sound around them does not give.

Three gates, each dearer and seldomer than the one before:
- the sharpest and the highest cell of every 1,024 samples, where it stands out of the others;
- those that stand out of everything 20 ms either side: an onset is followed by its own sound;
- what ``measure/disturbance.py`` looks for: a residual that linear prediction does not explain.
Those that are left are compared with each other: a drum machine's sample with a click in it, or a
gate that cuts every stroke of a loop, brings the click back with its sound, and that is no
accident. What is compared is the level of the 20 ms on either side, in steps of 2.5 ms. A sound
that stays at one level has no places to tell apart.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np
import numpy.typing as npt

from stemprep.dsp.cells import CELL_FRAMES, Chunk, Floats
from stemprep.dsp.history import History
from stemprep.dsp.prediction import Signal
from stemprep.dsp.runs import Positions
from stemprep.measure.disturbance import LONGEST, MARGIN, MOST_CHANGE, Disturbance, click_in
from stemprep.model.facts import MAX_LISTED_RUNS, ClickFacts
from stemprep.units import db_from_ratio, ratio_from_db

Levels = npt.NDArray[np.float64]

# Eight of them are the 20 ms either side by which places are compared.
STEP_S = 0.0025
STEPS = 8  # on either side
APART = 64  # samples next to the click that it may reach into
# Mean square of -120 dBFS: keeps the logarithm finite where nothing sounds.
SILENT = 1e-12
# Between loudest and quietest step: a sound at one level has no places to tell apart.
MIN_RANGE_DB = 10.0
MAX_DIFFERENCE_DB = 1.2  # root of the mean square; noise of a step reads 0.6 dB apart
# Between clicks that are called the same one.
MAX_HEIGHT_DIFFERENCE_DB = 3.0
# Nearer ones lie in each other's surroundings and are alike by that alone.
SAME_TIME_S = 0.05
MOST_COMPARED = 128  # of each: bounds the time for sound that crackles


def levels_around(sound: Signal, start: int, end: int, rate_hz: int) -> Levels:
    """Levels in dB before ``start`` and behind ``end``, shape (2 * STEPS,), mean taken out."""
    step = max(1, round(STEP_S * rate_hz))
    edges = np.arange(STEPS + 1) * step
    sides = np.concatenate([(start - APART - edges)[::-1], end + APART + edges])
    running = np.concatenate([[0.0], np.cumsum(np.square(sound))])
    sides = np.clip(sides, 0, sound.size)
    sums = np.delete(np.diff(running[sides]), STEPS)
    sizes = np.maximum(np.delete(np.diff(sides), STEPS), 1)
    levels = 10 * np.log10(np.maximum(sums, 0.0) / sizes + SILENT)
    return np.asarray(levels - levels.mean())


def recurrences(clicks: Sequence[ClickFacts], around: Sequence[Levels], rate_hz: int) -> list[int]:
    """How many others, of the first MOST_COMPARED, stand in the same sound and are as high.

    One value a click; one at the same time in another channel is the same click.
    """
    if not clicks:
        return []
    others = clicks[:MOST_COMPARED]
    levels = np.stack(around[:MOST_COMPARED])
    heights_db = np.array([other.height_db for other in others])
    starts = np.array([other.start for other in others])
    counts = []
    for click, own in zip(clicks, around, strict=True):
        is_same = np.sqrt(np.square(levels - own).mean(axis=1)) <= MAX_DIFFERENCE_DB
        is_same &= np.abs(heights_db - click.height_db) <= MAX_HEIGHT_DIFFERENCE_DB
        is_same &= np.abs(starts - click.start) > SAME_TIME_S * rate_hz
        is_placed = float(np.ptp(own)) >= MIN_RANGE_DB
        counts.append(int(np.count_nonzero(is_same)) if is_placed else 0)
    return counts


# 1,024 samples: a suspect is sought in each such frame, so many are compared for it.
FRAME_CELLS = 32
OVER_NEIGHBOURS = 1.5  # hardly any click that the later gates keep comes nearer
GUARD_CELLS = 3  # a click of 64 samples and three differences touch four cells at most
LEAST_SHARPNESS = 1.0  # third difference of a click against its height: 3 for one sample
SHARE_OF_SIZE = 0.25  # what a single sample 21 dB below the sound around still reaches
LOWEST = ratio_from_db(-50.0)  # of a sample, or of its third difference; fainter, fingers click
# Either side: the 50 ms by whose largest sample a click's height is told.
AROUND_S = 0.025
MOST_IN_A_CHUNK = 12  # those that stand out most: bounds the time for sound that crackles
# 256 samples either side: where a sound begins, those behind are as high as the suspect.
BESIDE_CELLS = 8
OVER_ONSET_CELLS = 4.5  # of those beside; lower, and every attack is searched closely
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
        self._rate_hz = rate_hz
        self._levels: list[Levels] = []
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
        others = recurrences(self.found, self._levels, self._rate_hz)
        self.found = [
            replace(click, recurrences=count)
            for click, count in zip(self.found, others, strict=True)
        ]

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
            sound = np.asarray(window, dtype=np.float64)
            before = max(start, history.start)
            found = click_in(sound, cell - before)
            if found is not None:
                self._keep(channel, before, found, sound)

    def _keep(self, channel: int, start: int, click: Disturbance, sound: Signal) -> None:
        first = start + click.at
        near = [c for c in self.found[-MOST_IN_A_CHUNK:] if c.channel == channel + 1]
        if any(c.start < first + LONGEST and first < c.end + LONGEST for c in near):
            return
        self.count += 1
        if len(self.found) < MAX_LISTED_RUNS:
            end = click.at + click.length
            self._levels.append(levels_around(sound, click.at, end, self._rate_hz))
            self.found.append(
                ClickFacts(
                    channel=channel + 1,
                    start=first,
                    end=first + click.length,
                    height_db=db_from_ratio(click.height),
                    sigmas=click.sigmas,
                )
            )


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
