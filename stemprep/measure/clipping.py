"""Samples at full scale, their runs, and the clip facts of a whole file."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Sequence

import numpy as np

from stemprep.dsp.cells import Chunk
from stemprep.dsp.runs import Positions, RunJoiner, RunTally
from stemprep.measure.flat_tops import FlatTops
from stemprep.model.density import Density
from stemprep.model.facts import MAX_LISTED_RUNS, ClipFacts, MeasureSettings, Runs
from stemprep.units import db_from_ratio, ratio_from_db


def full_scale(bit_depth: int | None) -> float:
    """Level from which a sample counts as full scale, full scale = 1.0.

    Integers: the largest positive code, also with the opposite sign, since many converters
    never use the smallest code. Floats (None): 1.0.
    """
    if bit_depth is None:
        return 1.0
    codes = float(2 ** (min(max(bit_depth, 2), 32) - 1))
    return (codes - 1) / codes


class FullScale:
    """Runs at full scale per channel.

    An integer run lasts while the samples stay at full scale on one side. Floats go on above
    1.0, so there only samples of exactly equal value are a run: others are overs, which a lower
    level brings back.
    """

    def __init__(self, channels: int, bit_depth: int | None, min_run: int) -> None:
        self._limit = full_scale(bit_depth)
        self._is_float = bit_depth is None
        self._min_run = min_run
        self._joiners = [RunJoiner() for _ in range(channels)]
        self.tallies = [RunTally() for _ in range(channels)]
        self.samples = 0
        self.over = 0

    def add(self, chunk: Chunk) -> None:
        """Scan the channels of which a cell touches full scale or a run is open."""
        touched = chunk.peaks >= self._limit
        for channel, joiner in enumerate(self._joiners):
            if touched[channel] or joiner.is_open:
                self._scan(chunk, channel)

    def finish(self) -> None:
        """Close runs that reach the end of the file."""
        for channel, joiner in enumerate(self._joiners):
            self._count(channel, *joiner.flush())

    def _scan(self, chunk: Chunk, channel: int) -> None:
        samples = chunk.valid[channel]
        places = np.flatnonzero(np.abs(samples) >= self._limit)
        keys = samples[places] if self._is_float else np.sign(samples[places])
        self.samples += places.size
        if self._is_float:
            self.over += int(np.count_nonzero(np.abs(keys) > 1.0))
        end = chunk.start + chunk.frames
        self._count(channel, *self._joiners[channel].push(places + chunk.start, keys, end))

    def _count(self, channel: int, starts: Positions, ends: Positions) -> None:
        long = ends - starts >= self._min_run
        self.tallies[channel].add(starts[long], ends[long])


class Clipping:
    """Full-scale runs and flat tops; ``bit_depth`` is None for floats."""

    def __init__(self, channels: int, bit_depth: int | None, settings: MeasureSettings) -> None:
        self.full_scale = FullScale(channels, bit_depth, settings.min_clip_run_samples)
        self._flat_tops = [
            FlatTops(
                min_run=settings.min_flat_top_samples,
                lowest=ratio_from_db(settings.min_flat_top_dbfs),
                full_scale=full_scale(bit_depth),
            )
            for _ in range(channels)
        ]

    def add(self, chunk: Chunk) -> None:
        """Scan one chunk."""
        self.full_scale.add(chunk)
        for channel, tops in enumerate(self._flat_tops):
            tops.add(chunk, channel)

    def facts(self, frames: int, step: float) -> ClipFacts:
        """Runs of all channels; ``step`` is one quantising step of the samples."""
        self.full_scale.finish()
        found = []
        levels: Counter[float] = Counter()
        for channel, tops in enumerate(self._flat_tops, start=1):
            for level, tally in tops.finish(frames, step):
                levels[level] += tally.count
                found.append((channel, tally))
        commonest = max(levels, key=lambda level: (levels[level], level), default=None)
        return ClipFacts(
            full_scale=runs_of(enumerate(self.full_scale.tallies, start=1)),
            flat_tops=runs_of(found),
            flat_top_dbfs=None if commonest is None else db_from_ratio(commonest),
        )


def runs_of(tallies: Iterable[tuple[int, RunTally]]) -> Runs:
    """One record of all channels, listed in order of start."""
    tallies = list(tallies)
    listed = sorted((start, channel, end) for channel, t in tallies for start, end in t)
    count = sum(t.count for _, t in tallies)
    listed = listed[:MAX_LISTED_RUNS]
    return Runs(
        count=count,
        samples=sum(t.samples for _, t in tallies),
        longest=max((t.longest for _, t in tallies), default=0),
        runs=tuple((channel, start, end) for start, channel, end in listed),
        is_capped=count > len(listed),
        density=_density([tally for _, tally in tallies]) if count > len(listed) else None,
    )


def _density(tallies: Sequence[RunTally]) -> Density:
    stretch_samples = max(tally.stretch_samples for tally in tallies)
    counts = np.sum([tally.density(stretch_samples) for tally in tallies], axis=0)
    return Density(
        stretch_samples=stretch_samples,
        counts=tuple(np.trim_zeros(counts, "b").tolist()),
    )
