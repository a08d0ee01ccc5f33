"""Mean squares of the channels."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from stemprep.dsp.cells import Chunk
from stemprep.units import db_from_power


class Power:
    """Sums of squares per channel."""

    def __init__(self, channels: int) -> None:
        self.squares: npt.NDArray[np.float64] = np.zeros(channels)

    def add(self, chunk: Chunk) -> None:
        """The energies of its segments; the zeros after the last sample add nothing."""
        self.squares += chunk.energies.sum(axis=1, dtype=np.float64)

    def rms_dbfs(self, frames: int) -> tuple[float, ...]:
        """Root mean square of each channel, dBFS; -inf for silence and for no frames."""
        return tuple(db_from_power(float(square) / max(frames, 1)) for square in self.squares)

    def mean_square(self, frames: int) -> float:
        """Over all channels and frames; 0 for no frames."""
        return float(self.squares.mean()) / max(frames, 1)
