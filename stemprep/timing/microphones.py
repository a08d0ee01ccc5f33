"""How much later one microphone hears the source of another, and with which polarity.

A drum's close microphone hears the whole kit, and so does the one above it: over the whole song
their correlation has as many peaks as the kit has drums. Where the close microphone is loudest its
own drum plays. So only there both are listened to, loud places counting more than quiet ones.
"""

from __future__ import annotations

from collections.abc import Sequence
from functools import lru_cache

import numpy as np
import numpy.typing as npt

from stemprep.timing.correlation import Peak, Spectrum, find_peak, phase_only

Samples = npt.NDArray[np.floating]

# Below, a window holds few periods; above, microphones and distances differ most.
BAND_HZ = (100.0, 8_000.0)
# Four times the longest lag, so that most of a window overlaps at any.
WINDOW_S = 0.2
LEAD = 0.25  # of the window, before the loudest sample: a microphone may be early as well
MAX_LAG_S = 0.05  # 17 m
# Bounds the time: the loudest places count most.
MOST_PLACES = 16
MIN_RATIO, MIN_PROMINENCE = 1.4, 16.0
"""Unrelated recordings reach 1.3 and 8 (measured): below these there is no verdict."""
# A wave of 200 Hz is 1.7 m long, more than a pair usually stands apart.
LOW_HZ = (40.0, 200.0)
# A median of fewer is one window alone.
MIN_LOW_WINDOWS = 3
_FAINT = 1e-3  # of the loudest window's power


def window_frames(rate_hz: int) -> int:
    """Frames of one window: the power of two at or above ``WINDOW_S``."""
    return 1 << int(np.ceil(np.log2(WINDOW_S * rate_hz)))


def loud_stretches(
    columns: Sequence[float], frames: int, apart: int
) -> tuple[tuple[int, int], ...]:
    """(start, end) of the loudest columns of a picture, in order of time; at most MOST_PLACES.

    columns: largest absolute sample of equal stretches of the file; silent ones are never taken.
    apart:   a stretch begins no nearer than so many frames to one that is louder.
    """
    edges = np.arange(len(columns) + 1) * frames // max(len(columns), 1)
    sizes = np.asarray(columns, dtype=np.float64)
    taken: list[int] = []
    for column in np.argsort(-sizes, kind="stable"):
        if len(taken) == MOST_PLACES or sizes[column] <= 0.0:
            break
        if all(abs(int(edges[column] - edges[other])) >= apart for other in taken):
            taken.append(int(column))
    return tuple((int(edges[column]), int(edges[column + 1])) for column in sorted(taken))


def window_start(stretch: Samples, start: int, rate_hz: int) -> int:
    """Where the window around the loudest sample of a stretch begins; may be before the file.

    stretch: shape (frames,), its first frame being ``start`` of the file.
    """
    loudest = int(np.abs(stretch).argmax()) if len(stretch) else 0
    return start + loudest - int(LEAD * window_frames(rate_hz))


def spectrum(window: Samples) -> npt.NDArray[np.complex64]:
    """Spectrum of a window under a Hann window: shape (..., frames) to (..., frames / 2 + 1)."""
    shaped = window.astype(np.float32, copy=False) * _hann(window.shape[-1])
    return np.fft.rfft(shaped).astype(np.complex64, copy=False)


@lru_cache(maxsize=4)
def _hann(frames: int) -> npt.NDArray[np.float32]:
    return np.hanning(frames + 1)[:-1].astype(np.float32)


def microphone_lag(reference: Spectrum, other: Spectrum, rate_hz: int) -> Peak | None:
    """How late ``other`` is against ``reference``, over spectra of the same windows.

    Both of shape (windows, bins). Each window counts by the energy of the reference in the band,
    squared. None where one of them has no content; ``is_verdict`` tells whether it means anything.
    """
    frames = 2 * (reference.shape[1] - 1)
    spacing_hz = rate_hz / frames
    energy = (np.abs(reference.astype(np.complex128)) ** 2).sum(axis=1)
    if not energy.any():
        return None
    weights = energy / energy.max()
    cross = np.einsum("w,wb,wb->b", weights, other, reference.conj())
    return find_peak(phase_only(cross, spacing_hz, BAND_HZ), spacing_hz, rate_hz, MAX_LAG_S)


def low_correlation(reference: Spectrum, other: Spectrum, rate_hz: int) -> float | None:
    """Median over windows of the correlation in the low end; None where one has nothing there.

    Both of shape (windows, bins). Down there a wave is longer than two microphones of a pair stand
    apart, so that both move together wherever they stand.
    """
    spacing_hz = rate_hz / (2 * (reference.shape[1] - 1))
    low, high = (round(edge / spacing_hz) for edge in LOW_HZ)
    near, far = (each[:, low : high + 1].astype(np.complex128) for each in (reference, other))
    powers = [np.square(np.abs(each)).sum(axis=1) for each in (near, far)]
    is_heard = [power > _FAINT * power.max(initial=0.0) for power in powers]
    both = is_heard[0] & is_heard[1]
    if int(both.sum()) < MIN_LOW_WINDOWS:
        return None
    cross = (far * near.conj()).sum(axis=1).real
    return float(np.median(cross[both] / np.sqrt(powers[0] * powers[1])[both]))


def is_verdict(peak: Peak) -> bool:
    """True where the peak stands out as no two unrelated recordings make it."""
    return peak.ratio >= MIN_RATIO and peak.prominence >= MIN_PROMINENCE
