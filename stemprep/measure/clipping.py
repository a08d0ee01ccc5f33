"""Clip facts of a whole file from its channels' runs."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable

from stemprep.dsp.cells import Chunk
from stemprep.dsp.runs import RunTally
from stemprep.measure.flat_tops import FlatTops
from stemprep.measure.full_scale import FullScale, full_scale
from stemprep.model.facts import MAX_LISTED_RUNS, ClipFacts, MeasureSettings, Runs
from stemprep.units import db_from_ratio, ratio_from_db


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
    )
