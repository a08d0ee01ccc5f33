"""What another interpolator did: a stem moved by a part of a sample by whoever exported it.

Every interpolator is a filter near to a pure delay, and they differ near half the sample rate. The
difference is fitted as a short filter by least squares, so that what is left is the word length's
again, and a second fault is seen that would drown in it.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from stemprep.summing.excerpts import MARGIN, MAX_LAG, WINDOW
from stemprep.summing.model import Change, Model
from stemprep.summing.parts import Planar, routed
from stemprep.summing.refine import Bench, Fit
from stemprep.summing.shift import is_whole, moved, response

HALF = 256
_ROUNDS = 4
_RIDGE = 1e-11
_MUST_LEAVE = 0.5
_SETTLED = 0.9
_PASSBAND = 0.25
"""Of the sample rate: below this every interpolator is a pure delay (common practice)."""
_MOST_COLOUR = 3e-3


def with_kernel(bench: Bench, fit: Fit, stem: int, *, must_leave: float = _MUST_LEAVE) -> Fit:
    """The fit with the filter of one broken lag, where that leaves no more than ``must_leave``.

    A filter that colours the lower half of the band is none of an interpolator: the fit stays.
    """
    change = fit.model.change_of(stem)
    if change is None or is_whole(change.lag) or abs(change.lag) > MAX_LAG - HALF:
        return fit
    best = fit
    for _ in range(_ROUNDS):
        trial = bench.fit(best.model.with_change(_corrected(bench, best, stem)))
        is_settled = trial.mean > _SETTLED * best.mean
        best = min(best, trial, key=lambda each: each.mean)
        if is_settled or best.is_at_floor:
            break
    found = best.model.change_of(stem)
    assert found is not None, "the change is still there"
    is_better = best.mean < must_leave * fit.mean or best.is_at_floor
    if found.kernel is None or not is_better or _colour(bench, best.model, found) > _MOST_COLOUR:
        return fit
    return best


def _corrected(bench: Bench, fit: Fit, stem: int) -> Change:
    """The change with its kernel nearer to least squares by one step."""
    change = fit.model.change_of(stem)
    assert change is not None, "only a moved stem has a kernel"
    sound = _in_the_mix(bench, fit.model, change)
    size = WINDOW + 4 * HALF
    left = np.zeros((*fit.residual.shape[:2], WINDOW + 2 * HALF))
    left[..., HALF:-HALF] = fit.residual
    spectrum = np.fft.rfft(sound, size)
    cross = np.fft.irfft((np.conj(spectrum) * np.fft.rfft(left, size)).sum(axis=(0, 1)), size)
    own = np.fft.irfft(np.square(np.abs(spectrum)).sum(axis=(0, 1)), size)
    taps = 2 * HALF + 1
    places = np.abs(np.arange(taps)[:, None] - np.arange(taps)[None, :])
    normal = own[places] + _RIDGE * own[0] * np.eye(taps)
    step = np.linalg.solve(normal, np.concatenate((cross[-HALF:], cross[: HALF + 1])))
    return replace(change, kernel=_kernel_of(change) + step)


def _in_the_mix(bench: Bench, model: Model, change: Change) -> Planar:
    """The moved stem without a kernel, ``HALF`` samples more on either side of every window."""
    stored = bench.excerpts.stems[change.stem]
    sound = model.gain * routed(change.matrix, moved(stored, change.lag, MARGIN - HALF))
    if change.span is not None:
        places = np.asarray(bench.excerpts.starts)[:, None] + np.arange(-HALF, WINDOW + HALF)
        sound *= ((places >= change.span[0]) & (places < change.span[1]))[:, None, :]
    return sound


def _kernel_of(change: Change) -> Planar:
    if change.kernel is not None:
        return change.kernel
    unit = np.zeros(2 * HALF + 1)
    unit[HALF] = 1.0
    return unit


def _colour(bench: Bench, model: Model, change: Change) -> float:
    """What the filter changes of the stem in the lower half of the band, relative to the stem."""
    size = WINDOW + 2 * HALF
    power = np.square(np.abs(np.fft.rfft(_in_the_mix(bench, model, change), size))).sum(axis=(0, 1))
    passed = slice(0, int(size * _PASSBAND))
    changed = np.square(np.abs(response(_kernel_of(change), size) - 1.0)) * power
    return float(np.sqrt(changed[passed].sum() / max(float(power[passed].sum()), 1e-300)))
