"""How a file begins and ends: from silence, or in the middle of its sound."""

from __future__ import annotations

import numpy as np

from stemprep.dsp.cells import Floats
from stemprep.measure.holes import is_abrupt
from stemprep.model.facts import EdgeFacts
from stemprep.units import db_from_ratio, samples_from_seconds

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
