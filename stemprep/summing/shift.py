"""Sound moved by a whole or broken number of samples, band-limited."""

from __future__ import annotations

import functools
import math

import numpy as np
import numpy.typing as npt

from stemprep.summing.parts import Planar, Stored

REACH = 2048
"""Samples beside a stretch that a broken lag needs; they are faded out, so that the ends of the
stretch, which the transform takes for neighbours, leave nothing behind."""


def margin_for(lag: float) -> int:
    """Samples that a stretch must have on both sides to be moved by ``lag``."""
    whole = abs(round(lag))
    return whole if is_whole(lag) else whole + REACH


def is_whole(lag: float) -> bool:
    """Tell whether the lag is a whole number of samples."""
    return lag == round(lag)


def moved(samples: Stored, lag: float, margin: int, kernel: Planar | None = None) -> Planar:
    """``samples(t + lag)`` for the stretch inside the margins, along the last axis.

    The margin must be ``margin_for(lag)`` at least. kernel: taps, the middle one at 0, by which
    another interpolator differs; only of a broken lag.
    """
    whole = round(lag)
    length = samples.shape[-1] - 2 * margin
    if is_whole(lag):
        return samples[..., margin + whole : margin + whole + length].astype(np.float64)
    return _turned(samples, whole, lag - whole, margin, length, kernel=kernel)[0]


def moved_with_slope(samples: Stored, lag: float, margin: int) -> tuple[Planar, Planar]:
    """The same, and its derivative by the lag, per sample."""
    whole = round(lag)
    length = samples.shape[-1] - 2 * margin
    value, slope = _turned(samples, whole, lag - whole, margin, length, slope=True)
    return value, slope


def _turned(
    samples: Stored,
    whole: int,
    rest: float,
    margin: int,
    length: int,
    *,
    slope: bool = False,
    kernel: Planar | None = None,
) -> tuple[Planar, Planar]:
    first = margin + whole - REACH
    piece = samples[..., first : first + length + 2 * REACH].astype(np.float64)
    fade = _fade()
    piece[..., :REACH] *= fade
    piece[..., -REACH:] *= fade[::-1]
    size = _good_size(piece.shape[-1])
    spectrum = np.fft.rfft(piece, size)
    omega = 2 * math.pi * np.arange(spectrum.shape[-1]) / size
    here = slice(REACH, REACH + length)
    spectrum *= np.exp(1j * omega * rest)
    if kernel is not None:
        spectrum *= response(kernel, size)
    value = np.fft.irfft(spectrum, size)[..., here]
    if not slope:
        return value, value
    spectrum *= 1j * omega
    return value, np.fft.irfft(spectrum, size)[..., here]


@functools.cache
def _fade() -> Planar:
    return 0.5 - 0.5 * np.cos(math.pi * (np.arange(REACH) + 0.5) / REACH)


def _good_size(length: int) -> int:
    """The next length of the form 2^a, 3 * 2^a or 5 * 2^a."""
    return min(
        factor << max(0, math.ceil(math.log2(length / factor))) for factor in (1, 3, 5, 9, 15)
    )


def response(kernel: Planar, size: int) -> npt.NDArray[np.complex128]:
    """Spectrum of centred taps for a real transform of ``size`` samples."""
    turned = np.zeros(size)
    half = len(kernel) // 2
    turned[: half + 1] = kernel[half:]
    turned[-half:] = kernel[:half]
    return np.fft.rfft(turned)
