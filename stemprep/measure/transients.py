"""Everything that shows in a few samples: holes, repeats, clicks, and the edges of the file."""

from __future__ import annotations

from collections.abc import Iterable

from stemprep.dsp.cells import Chunk
from stemprep.dsp.differences import CellDifferences
from stemprep.dsp.history import History
from stemprep.dsp.runs import RunTally
from stemprep.dsp.sharpness import CellSharpness
from stemprep.measure.clicks import Clicks
from stemprep.measure.clipping import runs_of
from stemprep.measure.edges import Edges
from stemprep.measure.holes import Holes
from stemprep.measure.repeats import HISTORY_FRAMES, Repeats
from stemprep.model.facts import Runs, TransientFacts

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
