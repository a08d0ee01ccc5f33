"""NaN and infinity in float files: counted, located, and kept away from everything else."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from stemprep.measure.word_label import WordLabel
from stemprep.model.facts import NonFinite

LARGEST = 1e100  # 2,000 dB over full scale; beyond it squares overflow, so it counts as infinite
SMALLEST = 1e-100  # 2,000 dB below; products of less are denormal and a hundred times slower


class FiniteGate:
    """Lets float samples through and replaces what is not a number of use by 0."""

    def __init__(self) -> None:
        self.label = WordLabel()
        self._frames = 0
        self._count = 0
        self._first: tuple[int, int] | None = None

    def through(self, samples: npt.NDArray[np.float64]) -> npt.NDArray[np.float64]:
        """The samples, planar; a cleaned copy only where one is needed."""
        size = np.abs(samples)
        self.label.add_floats(size)
        start, self._frames = self._frames, self._frames + samples.shape[1]
        if not size.max(initial=0.0) <= LARGEST:
            bad = ~(size <= LARGEST)
            self._note(bad, start)
            samples = np.where(bad, 0.0, samples)
        tiny = (size < SMALLEST) & (size > 0)
        return np.where(tiny, 0.0, samples) if tiny.any() else samples

    def facts(self) -> NonFinite:
        """Count over everything; the first by time, of channels at one time the lowest."""
        if self._first is None:
            return NonFinite()
        sample, channel = self._first
        return NonFinite(count=self._count, first_channel=channel, first_sample=sample)

    def _note(self, bad: npt.NDArray[np.bool_], start: int) -> None:
        self._count += int(np.count_nonzero(bad))
        if self._first is None:
            frame = int(np.argmax(bad.any(axis=0)))
            self._first = (start + frame, int(np.argmax(bad[:, frame])) + 1)
