"""DC offset: a constant that is there in every window, also in the quiet ones."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from stemprep.measure.low_band import Means, window_points

EVEN_BELOW = 1e-3  # -60 dBFS: quieter windows are all equally sure of their mean
LEAK = 1e-2  # of a steady tone from 20 Hz on, through a window of an eighth of a second
SLOW_POINTS = 16  # in a window: what is left in so few means lies below some 100 Hz
# Within which windows agree on one mean: chance exceeds 4 once in 16,000.
STANDARD_ERRORS = 4.0


class Offset:
    """What the quiet windows say about the mean of each channel, and how surely.

    The mean over a whole file is exact for steady tones, but a drum that decays pushes it to one
    side: its sound has an area, and that is no offset. Short windows see the tails, where there
    is nothing but an offset, so each counts by the inverse of its power (the best estimate of a
    constant under noise of changing strength). Steady low notes leak into short windows and make
    their means differ: that is the error stated, and within it the mean over the file holds.
    """

    def __init__(self, rate_hz: int, channels: int) -> None:
        self._probes = _probes(window_points(rate_hz))
        self._weight = np.zeros(channels)
        self._weighted = np.zeros(channels)
        self._squares = np.zeros((3, channels))
        self._leaks = np.zeros(channels)

    def add(self, windows: Means) -> None:
        """Windows of means; those that touch digital silence are left out: it has no say."""
        read = windows @ self._probes  # one product for all that is linear
        means, plain, slow = read[..., 0], read[..., 1], read[..., 2:]
        squares = np.matmul(windows[..., None, :], windows[..., None])[..., 0, 0]
        powers = np.maximum(squares / windows.shape[2] - plain * plain, 0.0)
        slow_powers = np.maximum(np.square(slow).mean(axis=2) - plain * plain, 0.0)
        weights = 1.0 / (powers + EVEN_BELOW**2)
        if not windows.all():
            weights[(windows == 0.0).any(axis=2)] = 0.0
        self._weight += weights.sum(axis=1)
        self._weighted += (weights * means).sum(axis=1)
        squared = weights * weights
        for row, values in enumerate((squared, squared * means, squared * means * means)):
            self._squares[row] += values.sum(axis=1)
        self._leaks += (squared * slow_powers).sum(axis=1) * LEAK**2

    def within(self, whole: tuple[float, ...]) -> tuple[float, ...]:
        """The mean of each channel over the whole file, brought to where the windows agree."""
        if not self._weight.all():
            return whole
        middle = self._weighted / self._weight
        zeroth, first, second = self._squares
        scatter = np.maximum(second - 2 * middle * first + middle * middle * zeroth, 0.0)
        margin = STANDARD_ERRORS * np.sqrt(scatter + self._leaks) / self._weight
        return _plain(np.clip(whole, middle - margin, middle + margin))


def _probes(points: int) -> Means:
    """Columns that read a window: Hann-squared mean, plain mean, then means of short stretches.

    What is left in the stretches is slow enough to leak.
    """
    window = np.sin(np.pi * (np.arange(points) + 0.5) / points) ** 4
    stretch = np.arange(points) * SLOW_POINTS // points
    members = (stretch[:, None] == np.unique(stretch)[None]).astype(np.float64)
    plain = np.full(points, 1.0 / points)
    return np.column_stack([window / window.sum(), plain, members / members.sum(axis=0)])


def _plain(values: npt.NDArray[np.float64]) -> tuple[float, ...]:
    return tuple(values.tolist())
