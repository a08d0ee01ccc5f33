"""Linear prediction: what a sound does next, and what stands where a few samples are not trusted.

Autocorrelation method (J. Makhoul, Linear Prediction: A Tutorial Review, Proc. IEEE 63, 1975);
interpolation by least squares of the prediction error (A. J. E. M. Janssen, R. N. J. Veldhuis,
L. B. Vries, IEEE Trans. ASSP 34, 1986). Both from memory.
"""

from __future__ import annotations

from collections.abc import Sequence
from functools import lru_cache

import numpy as np
import numpy.typing as npt

Signal = npt.NDArray[np.float64]

_WHITE = 1e-9  # -90 dB of white noise: keeps the equations solvable for pure tones


@lru_cache(maxsize=8)
def _taper(size: int) -> Signal:
    return np.hanning(size)


def error_filter(parts: Sequence[Signal], order: int) -> Signal:
    """The filter whose output is the prediction error, shape (order + 1,), first tap 1.

    parts: stretches of one sound, each longer than ``order``; silence gives the identity.
    """
    correlation = np.zeros(order + 1)
    for part in parts:
        tapered = part * _taper(part.size)
        correlation += np.correlate(np.concatenate([tapered, np.zeros(order)]), tapered, "valid")
    taps = np.zeros(order + 1)
    taps[0] = 1.0
    if correlation[0] > 0:
        correlation[0] *= 1 + _WHITE
        taps[1:] = -np.linalg.solve(correlation[_distances(order)], correlation[1:])
    return taps


def prediction_error(samples: Signal, taps: Signal) -> Signal:
    """One value for each sample from the ``order``-th on."""
    return np.convolve(samples, taps, mode="valid")


def interpolated(samples: Signal, taps: Signal, start: int, count: int) -> Signal:
    """``count`` samples from ``start`` on that make the prediction error least, shape (count,).

    ``order`` samples must stand on both sides.
    """
    order = taps.size - 1
    known = samples[start - order : start + count + order].copy()
    known[order : order + count] = 0.0
    error = np.convolve(known, taps, mode="valid")
    overlap = np.zeros(max(count, order + 1))
    overlap[: order + 1] = np.correlate(np.concatenate([taps, np.zeros(order)]), taps, "valid")
    wanted = -np.correlate(error, taps, "valid")
    return np.asarray(np.linalg.solve(overlap[_distances(count)], wanted), dtype=np.float64)


@lru_cache(maxsize=32)
def _distances(size: int) -> npt.NDArray[np.int64]:
    """How far each of ``size`` places is from each other one."""
    return np.abs(np.subtract.outer(np.arange(size), np.arange(size)))
