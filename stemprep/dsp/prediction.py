"""Linear prediction: what a sound does next, and what stands where a few samples are not trusted.

Autocorrelation method (J. Makhoul, Linear Prediction: A Tutorial Review, Proc. IEEE 63, 1975);
interpolation by least squares of the prediction error (A. J. E. M. Janssen, R. N. J. Veldhuis,
L. B. Vries, IEEE Trans. ASSP 34, 1986). Both from memory.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import numpy.typing as npt

Signal = npt.NDArray[np.float64]

_WHITE = 1e-9  # -90 dB of white noise: keeps the equations solvable for pure tones


def error_filter(parts: Sequence[Signal], order: int) -> Signal:
    """The filter whose output is the prediction error, shape (order + 1,), first tap 1.

    parts: stretches of one sound, each longer than ``order``; silence gives the identity.
    """
    correlation = np.zeros(order + 1)
    for part in parts:
        tapered = np.concatenate([part * np.hanning(part.size), np.zeros(order)])
        shifted = np.lib.stride_tricks.sliding_window_view(tapered, part.size)
        correlation += shifted @ tapered[: part.size]
    taps = np.zeros(order + 1)
    taps[0] = 1.0
    if correlation[0] > 0:
        correlation[0] *= 1 + _WHITE
        lags = np.abs(np.subtract.outer(np.arange(order), np.arange(order)))
        taps[1:] = -np.linalg.solve(correlation[lags], correlation[1:])
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
    padded = np.concatenate([np.zeros(count - 1), taps, np.zeros(count - 1)])
    rows = np.lib.stride_tricks.sliding_window_view(padded, count)[:, ::-1]
    return np.asarray(np.linalg.solve(rows.T @ rows, -(rows.T @ error)))
