"""Where a take begins in the mix that leaks into it, when nothing else says so.

The whole of both is turned into one spectrum and the phases alone are turned back (phase transform,
Knapp and Carter 1976): over minutes even a spill 34 dB down stands out at one place. What is found
is a proposal, to be confirmed block by block (``SpillMeter``).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from stemprep.timing.spill import BAND_HZ

Line = npt.NDArray[np.float32]

RATE_HZ = 12_000
"""Both are brought to it: enough for the band in which headphones leak."""
# 20 minutes: bounds the memory of one spectrum of the whole.
LONGEST_S = 1_200
# A proposal only: what passes is confirmed block by block, so these may be mild.
MIN_RATIO, MIN_PROMINENCE = 1.5, 30.0
# Around the best place: its own slopes are no second place.
_GUARD_S = 0.002
# Keeps quotients finite where nothing sounds.
_TINY = 1e-30


@dataclass(frozen=True, slots=True, kw_only=True)
class FarPlace:
    """start_s: when in the mix the track begins, negative: before it, to 1/12,000 s."""

    start_s: float
    ratio: float
    prominence: float


def find_far(track: Line, mix: Line) -> FarPlace | None:
    """The place that stands out; None where none does.

    Both mono at ``RATE_HZ``. A place is searched wherever the two overlap at all.
    """
    size = 1 << int(np.ceil(np.log2(max(len(track) + len(mix), 2))))
    cross = np.fft.rfft(track, size) * np.fft.rfft(mix, size).conj()
    frequencies = np.arange(len(cross)) * (RATE_HZ / size)
    inside = (frequencies >= BAND_HZ[0]) & (frequencies <= BAND_HZ[1]) & (np.abs(cross) > 0.0)
    if not inside.any():
        return None
    cross = np.where(inside, cross / np.maximum(np.abs(cross), _TINY), 0.0)
    heights = np.abs(np.fft.irfft(cross, size))
    best = int(heights.argmax())
    apart = np.minimum(np.abs(np.arange(size) - best), size - np.abs(np.arange(size) - best))
    second = float(heights[apart > _GUARD_S * RATE_HZ].max())
    ratio = float(heights[best]) / max(second, _TINY)
    prominence = float(heights[best]) / max(float(np.median(heights)), _TINY)
    if ratio < MIN_RATIO or prominence < MIN_PROMINENCE:
        return None
    lag = best if best < len(track) else best - size
    return FarPlace(start_s=-lag / RATE_HZ, ratio=ratio, prominence=prominence)
