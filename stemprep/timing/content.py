"""Whether files share a signal sample for sample, and how far apart it lies in them.

For files without a time reference: a count-in, a click or a part printed into all of them shows
where each begins. Spill and a second microphone share a signal too, but filtered and delayed by
the room; only a copy made inside one machine agrees at nearly every frequency, a whole number of
samples apart.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from stemprep.timing.correlation import Peak, Spectrum, find_peak, phase_only

# Below, a window holds few periods; above, many instruments hold little.
BAND_HZ = (100.0, 8_000.0)
# More than three times the longest lag, so that most of a window overlaps at any.
WINDOW_S = 0.34
MAX_LAG_S = 0.1  # 4,410 samples at 44.1 kHz: the latency of the slowest usual processors
# Bounds the time; a count-in or a printed part sounds more than once.
MOST_PLACES = 4
# A copy made in a machine reaches nearly 1; second microphones stay far below (no source).
MIN_HEIGHT, MIN_RATIO, MIN_PROMINENCE = 0.4, 3.0, 100.0
# Of a sample: copies lie a whole number of samples apart, microphones do not.
MAX_FRACTION = 0.05
_SOUNDS = 0.25  # of the file's own peak


def window_frames(rate_hz: int) -> int:
    """Frames of one window: the power of two at or above ``WINDOW_S``."""
    return 1 << int(np.ceil(np.log2(WINDOW_S * rate_hz)))


def shared_stretches(
    pictures: Sequence[Sequence[float]], frames: int, apart: int
) -> tuple[int, ...]:
    """Starts of the columns in which most files sound, in order of time; at most MOST_PLACES.

    pictures: per file the largest absolute sample of equal stretches of ``frames``; a file sounds
              where it is within 12 dB of its own peak. Of equals the earlier: a count-in.
    """
    columns = max((len(picture) for picture in pictures), default=0)
    counts = np.zeros(columns)
    for picture in pictures:
        sizes = np.asarray(picture)
        counts[: len(sizes)] += (sizes >= _SOUNDS * sizes.max(initial=0.0)) & (sizes > 0.0)
    edges = np.arange(columns) * frames // max(columns, 1)
    taken: list[int] = []
    for column in np.argsort(-counts, kind="stable"):
        if len(taken) == MOST_PLACES or counts[column] < 2:
            break
        if all(abs(int(edges[column]) - start) >= apart for start in taken):
            taken.append(int(edges[column]))
    return tuple(sorted(taken))


def content_lag(reference: Spectrum, other: Spectrum, rate_hz: int) -> Peak | None:
    """How late the shared signal is in ``other``, samples; None where nothing is shared.

    Both of shape (windows, bins), spectra of windows at the same places.
    """
    spacing_hz = rate_hz / (2 * (reference.shape[1] - 1))
    cross = (other * reference.conj()).sum(axis=0)
    peak = find_peak(phase_only(cross, spacing_hz, BAND_HZ), spacing_hz, rate_hz, MAX_LAG_S)
    return peak if peak is not None and _is_copy(peak) else None


def _is_copy(peak: Peak) -> bool:
    return (
        abs(peak.height) >= MIN_HEIGHT
        and peak.ratio >= MIN_RATIO
        and peak.prominence >= MIN_PROMINENCE
        and abs(peak.lag_samples - round(peak.lag_samples)) <= MAX_FRACTION
    )
