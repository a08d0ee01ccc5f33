"""DC offset: a constant that is there in every window, also in the quiet ones."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from stemprep.measure.low_band import Means, window_points

EVEN_BELOW = 1e-3  # -60 dBFS: quieter windows are all equally sure of their mean
LEAK = 1e-2  # of a steady tone from 20 Hz on, through a window of an eighth of a second
SLOW_POINTS = 16  # in a window: what is left in so few means lies below some 100 Hz
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
        points = window_points(rate_hz)
        window = np.sin(np.pi * (np.arange(points) + 0.5) / points) ** 4  # a Hann window squared
        self._window = window / window.sum()
        self._weight = np.zeros(channels)
        self._weighted = np.zeros(channels)
        self._squares = np.zeros((3, channels))
        self._leaks = np.zeros(channels)

    def add(self, windows: Means) -> None:
        """Windows of means; those that touch digital silence are left out: it has no say."""
        means = windows @ self._window
        plain = windows.mean(axis=2)
        powers = np.maximum(np.square(windows).mean(axis=2) - plain * plain, 0.0)
        weights = 1.0 / (powers + EVEN_BELOW**2)
        weights[(windows == 0.0).any(axis=2)] = 0.0
        self._weight += weights.sum(axis=1)
        self._weighted += (weights * means).sum(axis=1)
        squared = weights * weights
        for row, values in enumerate((squared, squared * means, squared * means * means)):
            self._squares[row] += values.sum(axis=1)
        self._leaks += (squared * _slow_powers(windows)).sum(axis=1) * LEAK**2

    def within(self, whole: tuple[float, ...]) -> tuple[float, ...]:
        """The mean of each channel over the whole file, brought to where the windows agree."""
        if not self._weight.all():
            return whole
        middle = self._weighted / self._weight
        zeroth, first, second = self._squares
        scatter = np.maximum(second - 2 * middle * first + middle * middle * zeroth, 0.0)
        margin = STANDARD_ERRORS * np.sqrt(scatter + self._leaks) / self._weight
        return _plain(np.clip(whole, middle - margin, middle + margin))


def _slow_powers(windows: Means) -> Means:
    """Variance of what is slow enough to leak; for each window."""
    width = max(windows.shape[2] // SLOW_POINTS, 1)
    points = windows.shape[2] // width * width
    slow = windows[:, :, :points].reshape(*windows.shape[:2], -1, width).mean(axis=3)
    return np.asarray(slow.var(axis=2))


def _plain(values: npt.NDArray[np.float64]) -> tuple[float, ...]:
    return tuple(values.tolist())
