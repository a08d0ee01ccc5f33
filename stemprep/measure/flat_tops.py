"""Flat tops below full scale: sound that was clipped and then turned down.

A clip leaves runs of equal samples at one exact level, again and again, entered and left at a
slope. Four things look alike and are not clips; each has its test:
- a low note whose rounded tops repeat a code: the samples beside it lie one or two steps lower;
- square waves, sample-and-hold sounds: what lies beside a plateau is another plateau;
- chance: one level does not come back;
- wave shapes with wide plateaus by design: most of the sound lies on them.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
import numpy.typing as npt

from stemprep.dsp.cells import Chunk
from stemprep.dsp.runs import RunTally, split_runs

MIN_RECURRENCES = 4  # common practice, no source: a level seen less often is chance
MIN_DROP_STEPS = 4  # a parabola rounded to three equal codes falls by 2.8 steps beside them
MAX_SHARE = 0.5  # of all samples on plateaus: a shape by design
PEAK_RANGE = 0.5  # plateaus down to half of the channel's peak are followed
MAX_LEVELS = 1_024
LEFT = 2


@dataclass
class Level:
    """What is known about one exact plateau level of one channel."""

    tally: RunTally = field(default_factory=RunTally)
    stepped: int = 0
    drops: list[float] = field(default_factory=list)

    def is_clip(self, step: float) -> bool:
        """Recurrent, with slopes beside most of its runs."""
        if self.tally.count < MIN_RECURRENCES or 2 * self.stepped > self.tally.count:
            return False
        return float(np.median(self.drops)) > MIN_DROP_STEPS * step


class FlatTops:
    """Plateaus of one channel.

    Each position is judged once all samples that decide about it are there: ``_tail`` carries
    the last few of them, and a plateau that is still going on stays open.
    """

    def __init__(self, *, min_run: int, lowest: float, full_scale: float) -> None:
        self._run = max(min_run, 2)
        self._lowest = lowest
        self._full_scale = full_scale
        self._peak = 0.0
        self._last_size = 0.0
        self._tail: npt.NDArray[np.floating] | None = None
        self._tail_start = -(self._run + LEFT)
        self._open: tuple[int, float, float, float] | None = None
        self._levels: dict[float, Level] = {}

    def add(self, chunk: Chunk, channel: int) -> None:
        """Scan one channel of a chunk."""
        size = float(chunk.peaks[channel])
        self._peak = max(self._peak, size)
        self._extend(chunk.valid[channel], size)

    def finish(self, frames: int, step: float) -> tuple[list[tuple[float, RunTally]], int]:
        """The levels that are clips, with their runs, and how many samples lie on them.

        step: one quantising step of the file, full scale = 1.0.
        """
        if self._tail is not None:
            end = np.full(self._run + LEFT, np.nan, dtype=self._tail.dtype)
            self._extend(end, self._last_size)
        clips = [
            (abs(value), level.tally)
            for value, level in self._levels.items()
            if abs(value) >= PEAK_RANGE * self._peak and level.is_clip(step)
        ]
        samples = sum(tally.samples for _, tally in clips)
        return ([], 0) if samples > MAX_SHARE * frames else (clips, samples)

    def _extend(self, samples: npt.NDArray[np.floating], size: float) -> None:
        if self._tail is None:
            self._tail = np.full(self._run + LEFT, np.nan, dtype=samples.dtype)
        known = np.concatenate([self._tail, samples])
        start = self._tail_start
        loudest, self._last_size = max(size, self._last_size), size
        threshold = max(self._lowest, PEAK_RANGE * self._peak)
        if self._open is not None or loudest >= threshold:
            self._scan(known, start, threshold)
        self._tail = known[-(self._run + LEFT) :]
        self._tail_start = start + known.size - self._tail.size

    def _scan(self, known: npt.NDArray[np.floating], start: int, threshold: float) -> None:
        """Judge positions LEFT to the last but ``run`` of ``known``, which begins at ``start``."""
        equal = known[1:] == known[:-1]
        stop = known.size - self._run
        seeds = equal[LEFT:stop].copy()
        for shift in range(1, self._run - 1):
            seeds &= equal[LEFT + shift : stop + shift]
        if self._open is None and not seeds.any():
            return
        places = np.flatnonzero(seeds) + LEFT
        places = places[np.abs(known[places]) >= threshold]
        values = known[places]
        first, last = split_runs(places, values)
        runs = [
            (int(places[a]) + start, int(places[b - 1]), float(values[a]))
            for a, b in zip(first, last, strict=True)
        ]
        heads = [(begin, value, *self._before(known, begin - start)) for begin, _, value in runs]
        ends = [end for _, end, _ in runs]
        if self._open is not None:
            if runs and heads[0][0] == start + LEFT and heads[0][1] == self._open[1]:
                heads[0] = self._open
            else:
                heads.insert(0, self._open)
                ends.insert(0, LEFT - 1)
        self._open = heads.pop() if ends and ends[-1] == stop - 1 else None
        for head, end in zip(heads, ends, strict=False):
            self._judge(head, end + self._run, known, start)

    @staticmethod
    def _before(known: npt.NDArray[np.floating], at: int) -> tuple[float, float]:
        return float(known[at - 1]), float(known[at - 2])

    def _judge(
        self,
        head: tuple[int, float, float, float],
        end: int,
        known: npt.NDArray[np.floating],
        start: int,
    ) -> None:
        """Keep a finished plateau if it is a local extreme below full scale."""
        begin, value, left, left_of_it = head
        right, right_of_it = float(known[end]), float(known[end + 1])
        level, sign = abs(value), 1.0 if value > 0 else -1.0
        if not (sign * left < level and sign * right < level < self._full_scale):
            return
        entry = self._level(value)
        entry.tally.add(begin, start + end)
        entry.stepped += left == left_of_it and right == right_of_it
        if len(entry.drops) < len(entry.tally.listed):
            entry.drops.append(level - max(sign * left, sign * right))

    def _level(self, value: float) -> Level:
        """The entry of a level; when there are too many, the rarest make room."""
        if value not in self._levels and len(self._levels) >= MAX_LEVELS:
            by_count = sorted(self._levels, key=lambda key: (self._levels[key].tally.count, key))
            for rare in by_count[: MAX_LEVELS // 2]:
                del self._levels[rare]
        return self._levels.setdefault(value, Level())
