"""How left and right move against each other in the low end, where both are loud.

Down there a wave is longer than two microphones of a pair stand apart, so that both move together
wherever they stand; what is low in a mix lies in the middle. A side that is inverted moves against
the other, though further up the sides may have nothing in common.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from stemprep.measure.low_band import Means

# Under the loudest window's quieter side: those further down are noise and other sources' tails;
# on generated pairs (``tests/bench/bench_sides.py``) 10 found as many as 20 or 30, and more.
FAINT_DB = 10
# Binomial smoothing, half the power at some 70 Hz: with one round alone, to 200 Hz, three in four
# inverted pairs of that bench were found, with eight 29 of 30, and no right one.
ROUNDS = 8
LOWEST_DBFS = -90  # RMS in the low end; windows below are noise
# Of the quieter side, 1 dB each: up to what a hot float file may hold.
LEVELS = 140
STEPS = 100  # of correlation, from -1 to 1
# A second in which both sides have a low end; the median of less is a note or two.
MIN_WINDOWS = 8


class LowSides:
    """Counts windows by level and correlation, whatever the length of the file."""

    def __init__(self) -> None:
        self._counts: npt.NDArray[np.int64] = np.zeros((LEVELS, STEPS + 1), dtype=np.int64)

    def add(self, windows: Means) -> None:
        """Windows of means of two channels; those too short to be smoothed are left out."""
        if windows.shape[2] <= 2 * ROUNDS:
            return
        low = windows
        for _ in range(ROUNDS):
            low = (low[..., :-2] + 2.0 * low[..., 1:-1] + low[..., 2:]) / 4.0
        low = low - low.mean(axis=2, keepdims=True)
        powers = np.square(low).mean(axis=2)
        levels = 10.0 * np.log10(np.maximum(powers.min(axis=0), 1e-30)) - LOWEST_DBFS
        heard = levels > 0.0
        product = (low[0] * low[1]).mean(axis=1)[heard]
        correlation = product / (np.sqrt(powers[0, heard]) * np.sqrt(powers[1, heard]))
        steps = np.rint((correlation + 1.0) * (STEPS / 2)).astype(np.int64)
        rows = np.minimum(levels[heard].astype(np.int64), LEVELS - 1)
        np.add.at(self._counts, (rows, np.clip(steps, 0, STEPS)), 1)

    def correlation(self) -> float | None:
        """What half of the loud windows stay at or below; None where both sides have hardly any."""
        rows = np.flatnonzero(self._counts.any(axis=1))
        if not rows.size:
            return None
        running = np.cumsum(self._counts[max(int(rows[-1]) - FAINT_DB, 0) :].sum(axis=0))
        if running[-1] < MIN_WINDOWS:
            return None
        middle = int(np.searchsorted(running, (int(running[-1]) + 1) // 2))
        return round(middle * 2 / STEPS - 1, 2)
