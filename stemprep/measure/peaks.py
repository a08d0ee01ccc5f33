"""Sample peaks per channel, and where the highest one stands first."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from stemprep.dsp.cells import CELL_FRAMES, Chunk


class Peaks:
    """Peaks as ratios to full scale.

    peak:     highest absolute sample; channel (from 1) and sample tell where it stands first;
              of two channels at the same sample the lower counts.
    channels: highest absolute sample of each channel.
    """

    def __init__(self, channels: int) -> None:
        self.channels: npt.NDArray[np.float64] = np.zeros(channels)
        self.peak = 0.0
        self.channel = 1
        self.sample = 0

    def add(self, chunk: Chunk) -> None:
        """Look at the cells; samples are read only where a new peak stands."""
        size, highest = chunk.size, chunk.peaks
        np.maximum(self.channels, highest, out=self.channels)
        top = highest.max()
        if top <= self.peak:
            return
        self.peak = float(top)
        places = []
        for channel in np.flatnonzero(highest == top):
            cell = int(np.argmax(size[channel])) * CELL_FRAMES
            inside = np.abs(chunk.samples[channel, cell : cell + CELL_FRAMES])
            places.append((chunk.start + cell + int(np.argmax(inside)), int(channel) + 1))
        self.sample, self.channel = min(places)
