"""Samples and runs of samples at full scale."""

from __future__ import annotations

import numpy as np

from stemprep.dsp.cells import Chunk
from stemprep.dsp.runs import Positions, RunJoiner, RunTally


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
