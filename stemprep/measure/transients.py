"""Everything that shows in a few samples: holes, repeats, clicks, and the edges of the file."""

from __future__ import annotations

from collections.abc import Iterable

import numpy as np

from stemprep.dsp.cells import Chunk, Floats
from stemprep.dsp.differences import CellDifferences
from stemprep.dsp.history import History
from stemprep.dsp.runs import RunTally
from stemprep.dsp.sharpness import CellSharpness
from stemprep.measure.clicks import Clicks
from stemprep.measure.clipping import runs_of
from stemprep.measure.holes import Holes, is_abrupt
from stemprep.measure.repeats import HISTORY_FRAMES, Repeats
from stemprep.model.facts import EdgeFacts, Runs, TransientFacts
from stemprep.units import db_from_ratio, samples_from_seconds

# Some periods of all but the lowest sound, and shorter than a usual fade.
EDGE_S = 0.005


class Edges:
    """Keeps the first 5 ms; the last are read when the file is over."""

    def __init__(self, rate_hz: int) -> None:
        self.frames = max(1, samples_from_seconds(EDGE_S, rate_hz))
        self._head: Floats | None = None

    def add(self, samples: Floats) -> None:
        """Samples in file order, (channels, frames)."""
        held = 0 if self._head is None else self._head.shape[1]
        if held < self.frames:
            part = samples[:, : self.frames - held].copy()
            self._head = part if self._head is None else np.hstack([self._head, part])

    def head(self) -> EdgeFacts:
        """How the file begins."""
        return EdgeFacts() if self._head is None else _edge(self._head[:, ::-1])

    @staticmethod
    def tail(samples: Floats) -> EdgeFacts:
        """How the file ends, from its last 5 ms."""
        return _edge(samples) if samples.size else EdgeFacts()


def _edge(sound: Floats) -> EdgeFacts:
    """``sound`` ends at the edge."""
    levels = np.sqrt(np.mean(np.square(sound, dtype=np.float64), axis=1))
    loudest = int(np.argmax(levels))
    return EdgeFacts(
        channel=loudest + 1,
        level_dbfs=db_from_ratio(float(levels[loudest])),
        is_abrupt=any(is_abrupt(line) for line in sound[levels >= levels[loudest] / 2]),
    )


MAX_RATE_HZ = 384_000  # a header may state any rate; what is kept of the past grows with it


class Transients:
    """Shares the third differences and the last samples among the searches."""

    def __init__(self, channels: int, rate_hz: int, differences: CellDifferences) -> None:
        rate_hz = min(rate_hz, MAX_RATE_HZ)
        self._holes = Holes(channels)
        self._clicks = Clicks(channels, rate_hz)
        self._repeats = Repeats(channels)
        self._edges = Edges(rate_hz)
        self._sharpness = CellSharpness(differences)
        self._history = History(max(self._clicks.history_frames, HISTORY_FRAMES))
        self._channels = channels

    def add(self, chunk: Chunk) -> None:
        """Search one chunk and what the last left open."""
        self._history.see(chunk)
        sharp = self._sharpness.of(chunk)
        self._edges.add(chunk.valid)
        self._holes.add(chunk, self._history)
        self._clicks.add(chunk, sharp, self._history)
        self._repeats.add(chunk, sharp, self._history)
        self._history.keep()

    def facts(self) -> TransientFacts:
        """All that was found; call once, after the last chunk."""
        self._clicks.finish(self._history)
        holes = self._holes.finish(self._history)
        return TransientFacts(
            holes=_of_channels(irregular for irregular, _ in holes),
            regular_holes=_of_channels(regular for _, regular in holes),
            repeats=_of_channels(self._repeats.finish()),
            clicks=tuple(sorted(self._clicks.found, key=lambda c: (c.start, c.channel))),
            click_count=self._clicks.count,
            searched_share=self._clicks.searched_share,
            head=self._edges.head(),
            tail=self._edges.tail(self._history.last(self._edges.frames)),
        )


def _of_channels(tallies: Iterable[RunTally]) -> Runs:
    return runs_of(enumerate(tallies, start=1))
