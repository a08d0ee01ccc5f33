"""Linear prediction: how a sample follows from those before it, and what that misses.

J. Makhoul, Linear prediction: a tutorial review, Proc. IEEE 63, 1975; the covariance method.
"""

from __future__ import annotations

import numpy as np

from stemprep.summing.parts import Planar

ORDER = 32
_RIDGE = 1e-9


def prediction(samples: Planar) -> Planar:
    """Coefficients, shape (ORDER,), of the samples before, the nearest first; of one channel.

    samples: more than ORDER, at best many times as many.
    """
    rows = np.lib.stride_tricks.sliding_window_view(samples[:-1], ORDER)[:, ::-1]
    normal = rows.T @ rows
    normal += _RIDGE * (np.trace(normal) / ORDER + 1e-30) * np.eye(ORDER)
    return np.asarray(np.linalg.solve(normal, rows.T @ samples[ORDER:]))


def surprises(samples: Planar, rule: Planar) -> Planar:
    """What the prediction misses, from the first sample on that has a whole past."""
    return np.convolve(samples, np.concatenate(([1.0], -rule)), mode="valid")


def foretold(past: Planar, count: int) -> Planar:
    """The next samples as the past foretells them."""
    rule = prediction(past)
    samples = np.concatenate((past[-ORDER:], np.zeros(count)))
    for place in range(ORDER, ORDER + count):
        samples[place] = rule @ samples[place - ORDER : place][::-1]
    return samples[ORDER:]
