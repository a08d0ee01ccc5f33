"""Mean squares, and how the two channels of a stereo file relate."""

from __future__ import annotations

import math

import numpy as np
import numpy.typing as npt

from stemprep.dsp.cells import Chunk
from stemprep.dsp.scratch import Scratch
from stemprep.model.facts import StereoFacts
from stemprep.units import db_from_power, db_from_ratio


class Power:
    """Sums of squares per channel."""

    def __init__(self, channels: int) -> None:
        self.squares: npt.NDArray[np.float64] = np.zeros(channels)

    def add(self, chunk: Chunk) -> None:
        """One dot product a channel; the zeros after the last sample add nothing."""
        for channel, samples in enumerate(chunk.samples):
            self.squares[channel] += float(samples @ samples)

    def rms_dbfs(self, frames: int) -> tuple[float, ...]:
        """Root mean square of each channel, dBFS; -inf for silence and for no frames."""
        return tuple(db_from_power(float(square) / max(frames, 1)) for square in self.squares)

    def mean_square(self, frames: int) -> float:
        """Over all channels and frames; 0 for no frames."""
        return float(self.squares.mean()) / max(frames, 1)


class Stereo:
    """Sum and difference of two channels, each squared on its own.

    A cancellation of 100 dB is still exact that way; from <L,R> alone it would drown in the
    rounding of two large numbers.
    """

    def __init__(self) -> None:
        self._sum_squares = 0.0
        self._difference_squares = 0.0
        self._difference_peak = 0.0
        self._scratch = Scratch()

    def add(self, chunk: Chunk) -> None:
        """Chunk of exactly two channels."""
        left, right = chunk.samples
        mixed = self._scratch.array(left.shape, left.dtype)
        both = np.add(left, right, out=mixed)
        self._sum_squares += float(both @ both)
        apart = np.subtract(left, right, out=mixed)
        self._difference_squares += float(apart @ apart)
        self._difference_peak = max(self._difference_peak, float(apart.max()), -float(apart.min()))

    def facts(self, power: Power) -> StereoFacts:
        """Readings over everything added; ``power`` has seen the same chunks."""
        left, right = (float(square) for square in power.squares)
        loudest = max(left, right)
        product = math.sqrt(left) * math.sqrt(right)
        cross = (self._sum_squares - self._difference_squares) / 4
        return StereoFacts(
            correlation=min(1.0, max(-1.0, cross / product)) if product else None,
            is_identical=self._difference_peak == 0.0,
            difference_peak_dbfs=db_from_ratio(self._difference_peak),
            mono_sum_change_db=(
                db_from_power(self._sum_squares / 2 / (left + right)) if loudest else None
            ),
        )
