"""Flat tops below full scale: sound that was clipped and then turned down.

A clip leaves runs of equal samples at one exact level, again and again, entered and left at a
slope. Four things look alike and are not clips; each has its test:
- a low note whose rounded tops repeat a code: the samples beside it lie one or two steps lower,
  steps of 16 bit even in a longer word, for that is where many samples of instruments come from;
- square waves, sample-and-hold sounds, coarse words: beside a plateau lies another plateau;
- chance: one level does not come back;
- wave shapes with wide plateaus by design: most of the sound lies on them.
"""

from __future__ import annotations

from array import array
from dataclasses import dataclass, field, fields, replace

import numpy as np

from stemprep.dsp.cells import Chunk, Floats
from stemprep.dsp.runs import Positions, RunTally, split_runs
from stemprep.model.facts import MAX_LISTED_RUNS

MIN_RECURRENCES = 4  # common practice, no source: a level seen less often is chance
MIN_DROP_STEPS = 4  # a parabola rounded to three equal codes falls by 2.8 steps beside them
COARSEST_STEP = 2.0**-15  # 16-bit sound that was turned down in a longer word
MAX_SHARE = 0.5  # of all samples on plateaus: a shape by design
PEAK_RANGE = 0.5  # plateaus down to half of the channel's peak are followed
# Bounds memory for sound in which every plateau has a level of its own.
MAX_LEVELS = 1_024
MAX_LISTED = 4 * MAX_LISTED_RUNS  # of all levels together; what comes later is only counted
# Samples before a run that are looked at: a plateau is entered at a slope.
LEFT = 2


@dataclass
class Level:
    """What is known about one exact plateau level of one channel."""

    tally: RunTally = field(default_factory=RunTally)
    stepped: int = 0
    drops: array[float] = field(default_factory=lambda: array("d"))

    def is_clip(self, step: float) -> bool:
        """Recurrent, with slopes beside most of its runs."""
        if self.tally.count < MIN_RECURRENCES or 2 * self.stepped > self.tally.count:
            return False
        if not self.drops:
            return False
        return float(np.median(self.drops)) > MIN_DROP_STEPS * max(step, COARSEST_STEP)


@dataclass(frozen=True, slots=True)
class Plateaus:
    """Runs of equal samples, one entry each.

    start: first frame in the file; end: one past the last, in the stretch being scanned.
    left, left_of_it: the two samples before the run.
    """

    start: Positions
    end: Positions
    value: Floats
    left: Floats
    left_of_it: Floats

    def part(self, which: slice) -> Plateaus:
        """Some of them."""
        return Plateaus(*(getattr(self, f.name)[which] for f in fields(self)))


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
        self._tail: Floats | None = None
        self._tail_start = -(self._run + LEFT)
        self._open: Plateaus | None = None
        self._levels: dict[float, Level] = {}
        self._listed = 0

    def add(self, chunk: Chunk, channel: int) -> None:
        """Scan one channel of a chunk."""
        size = float(chunk.peaks[channel])
        self._peak = max(self._peak, size)
        self._extend(chunk.valid[channel], size)

    def finish(self, frames: int, step: float) -> list[tuple[float, RunTally]]:
        """The levels that are clips, as ratios to full scale, with their runs.

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
        return [] if samples > MAX_SHARE * frames else clips

    def _extend(self, samples: Floats, size: float) -> None:
        if self._tail is None:
            self._tail = np.full(self._run + LEFT, np.nan, dtype=samples.dtype)
        known = np.concatenate([self._tail, samples])
        start = self._tail_start
        loudest, self._last_size = max(size, self._last_size), size
        threshold = max(self._lowest, PEAK_RANGE * self._peak)
        if self._open is not None or loudest >= threshold:
            self._scan(known, start, threshold)
        self._tail = known[-(self._run + LEFT) :].copy()
        self._tail_start = start + known.size - self._tail.size

    def _scan(self, known: Floats, start: int, threshold: float) -> None:
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
        begin = places[first]
        found = Plateaus(
            start=begin + start,
            end=places[last - 1] + self._run,
            value=values[first],
            left=known[begin - 1],
            left_of_it=known[begin - 2],
        )
        found = self._joined(found, start)
        self._open = None
        if found.end.size and found.end[-1] == stop - 1 + self._run:
            self._open = found.part(slice(-1, None))
            found = found.part(slice(-1))
        self._judge(found, known, start)

    def _joined(self, found: Plateaus, start: int) -> Plateaus:
        """Plateaus with the open one of the last chunk, which the first may go on."""
        if self._open is None:
            return found
        goes_on = (
            found.start.size > 0
            and found.start[0] == start + LEFT
            and found.value[0] == self._open.value[0]
        )
        ends = found.end[:1] if goes_on else np.array([LEFT - 1 + self._run])
        head = replace(self._open, end=ends)
        rest = found.part(slice(1, None)) if goes_on else found
        return Plateaus(
            *(np.concatenate([getattr(head, f.name), getattr(rest, f.name)]) for f in fields(head))
        )

    def _judge(self, found: Plateaus, known: Floats, start: int) -> None:
        """Keep finished plateaus that are local extremes below full scale."""
        level, sign = np.abs(found.value), np.sign(found.value)
        right, right_of_it = known[found.end], known[found.end + 1]
        beside = np.maximum(sign * found.left, sign * right)  # NaN outside the file: no extreme
        is_top = (beside < level) & (level < self._full_scale)
        stepped = (found.left == found.left_of_it) | (right == right_of_it)
        tops = np.flatnonzero(is_top)
        tops = tops[np.argsort(found.value[tops], kind="stable")]
        values = found.value[tops]
        for here in np.split(tops, np.flatnonzero(values[1:] != values[:-1]) + 1):
            if here.size:
                self._keep(
                    float(found.value[here[0]]),
                    found.start[here],
                    found.end[here] + start,
                    level[here] - beside[here],
                    int(np.count_nonzero(stepped[here])),
                )

    def _keep(
        self, value: float, starts: Positions, ends: Positions, drops: Floats, stepped: int
    ) -> None:
        entry = self._level(value)
        listed = entry.tally.add(starts, ends, MAX_LISTED - self._listed)
        self._listed += listed
        entry.stepped += stepped
        entry.drops.extend(drops[:listed].tolist())

    def _level(self, value: float) -> Level:
        """The entry of a level; when there are too many, the rarest make room."""
        if value not in self._levels and len(self._levels) >= MAX_LEVELS:
            by_count = sorted(self._levels, key=lambda key: (self._levels[key].tally.count, key))
            for rare in by_count[: MAX_LEVELS // 2]:
                self._listed -= self._levels.pop(rare).tally.listed
        return self._levels.setdefault(value, Level())
