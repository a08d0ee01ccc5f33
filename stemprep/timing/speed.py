"""Whether a take runs at another speed than the mix that leaked into it.

Two machines without a common clock run apart by up to some tens of parts in a million; a pull-down
is a thousand of them, a wrong rate label eighty thousand. In one lag over a whole song the first is
smeared and the others are lost. So the phases of all blocks are kept, and the lag is sought that
grows by the same amount from block to block: a slant stack (J. F. Claerbout, "Imaging the Earth's
Interior", 1985, ch. 5, from memory) of phase transforms. A speed far from the mix's has to be
undone before, by resampling, because a block of 1.28 s itself no longer agrees.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from stemprep.timing.correlation import Peak, find_peak, phase_only
from stemprep.timing.spill import (
    BLOCK_S,
    HOP_S,
    MAX_LAG_S,
    MIN_BLOCKS,
    MIN_PROMINENCE,
    MIN_RATIO,
    QUIET,
)

Line = npt.NDArray[np.float32]
Phases = npt.NDArray[np.complex64]

BAND_HZ = (100.0, 3_000.0)
"""Wide enough for a sharp peak; speeds a quarter finer would have to be tried for 4,500 Hz."""
# Some ten times what two machines without a common clock differ by.
REACH_PPM = 300.0
LONGEST_BLOCKS = 480
"""Five minutes: the longest stretch in which speeds are sought; all blocks then refine them."""
# ppm of one.
_PER_MILLION = 1e6
# A straight line through phases, each time with those that fit; it settles in three.
_FIT_STEPS = 3
_HIGHER = 1.05
"""So much more than without a drift has to agree before there is one (measured: noise 1.02)."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Speed:
    """How a take runs against the mix.

    ppm:   how much longer the take lasts than what it was played to, parts in a million: positive,
           its sound comes later and later. 0 where no drift shows.
    peak:  with the drift undone; its lag is that at the take's first sample, in samples of the rate
           of the lines.
    error_ppm: how far off ``ppm`` may be (measured: 0.7 of 0.95 at 30 dB under a take of 45 s).
    """

    ppm: float
    peak: Peak
    error_ppm: float


def find_speed(track: Line, mix: Line, rate_hz: int) -> Speed | None:
    """The drift at which the mix stands out in the track; None where it does at none.

    Both mono at one rate and beginning at the same time, as far as is known; drifts up to
    ``REACH_PPM`` and lags up to 0.2 s are sought.
    """
    phases, times_s = _block_phases(track, mix, rate_hz)
    if len(phases) < MIN_BLOCKS:
        return None
    part = slice(0, LONGEST_BLOCKS)
    drift = _sought(phases[part], times_s[part], REACH_PPM)
    span_s = float(times_s[part][-1] - times_s[0])
    if len(phases) > LONGEST_BLOCKS:
        drift = _sought(phases, times_s, 4 * _step_ppm(span_s), drift)
        span_s = float(times_s[-1] - times_s[0])
    drift = _sharpened(phases, times_s, drift, _step_ppm(span_s))
    still, moving = (_peak(phases, times_s, ppm, rate_hz) for ppm in (0.0, drift))
    if moving is None or not _stands_out(moving):
        return None
    error = _step_ppm(span_s) / 4
    if still is not None and abs(moving.height) < _HIGHER * abs(still.height):
        drift, moving = 0.0, still
    return Speed(ppm=drift, peak=moving, error_ppm=error)


def _stands_out(peak: Peak) -> bool:
    return peak.ratio >= MIN_RATIO and peak.prominence >= MIN_PROMINENCE


def _block_phases(track: Line, mix: Line, rate_hz: int) -> tuple[Phases, npt.NDArray[np.float64]]:
    """(blocks, bins) of the band, and the middle of each block; quiet blocks are passed over."""
    found = list(_blocks(track, mix, rate_hz))
    if not found:
        return np.zeros((0, 0), dtype=np.complex64), np.zeros(0)
    return np.stack([phases for phases, _ in found]), np.array([at for _, at in found])


def _blocks(track: Line, mix: Line, rate_hz: int) -> Iterator[tuple[Phases, float]]:
    frames, hop = int(BLOCK_S * rate_hz), int(HOP_S * rate_hz)
    window = np.hanning(frames + 1)[:-1].astype(np.float32)
    spacing_hz = float(1 / BLOCK_S)
    bins = int(BAND_HZ[1] / spacing_hz) + 1
    for start in range(0, min(len(track), len(mix)) - frames + 1, hop):
        own, heard = track[start : start + frames], mix[start : start + frames]
        if min(_rms(own), _rms(heard)) < QUIET:
            continue
        spectra = [np.fft.rfft(each * window)[:bins] for each in (own, heard)]
        cross = phase_only(spectra[0] * spectra[1].conj(), spacing_hz, BAND_HZ)
        yield cross.astype(np.complex64), (start + frames / 2) / rate_hz


def _rms(block: Line) -> float:
    return float(np.sqrt(np.mean(np.square(block, dtype=np.float64))))


def _step_ppm(span_s: float) -> float:
    """Neighbouring drifts to try: at the ends of the span half a period of the band's top apart."""
    return _PER_MILLION / (2 * BAND_HZ[1] * max(span_s, 1.0))


def _sought(
    phases: Phases, times_s: npt.NDArray[np.float64], reach_ppm: float, around_ppm: float = 0.0
) -> float:
    """The drift, of those within reach, at which most agrees."""
    step = _step_ppm(float(times_s[-1] - times_s[0]))
    count = int(np.ceil(reach_ppm / step))
    tried = around_ppm + step * np.arange(-count, count + 1, dtype=np.float64)
    heights = _heights(phases, times_s, tried)
    return float(tried[int(np.argmax(heights))])


def _sharpened(
    phases: Phases, times_s: npt.NDArray[np.float64], drift: float, step: float
) -> float:
    """The top of the parabola through three drifts, each time nearer to each other."""
    for _ in range(_FIT_STEPS):
        tried = drift + step * np.array([-0.5, 0.0, 0.5], dtype=np.float64)
        low, middle, high = _heights(phases, times_s, tried)
        bend = low - 2 * middle + high
        if bend < 0.0:
            drift += float(np.clip(0.25 * (low - high) / bend, -0.5, 0.5)) * step
        step /= 2
    return drift


def _heights(
    phases: Phases, times_s: npt.NDArray[np.float64], tried: npt.NDArray[np.float64]
) -> npt.NDArray[np.float64]:
    """The highest correlation within the searched lags, for each drift."""
    spacing_hz = float(1 / BLOCK_S)
    frequencies = np.arange(phases.shape[1]) * spacing_hz
    since_s = times_s - times_s.mean()
    size = 1 << int(np.ceil(np.log2(4 * phases.shape[1])))
    reach = int(MAX_LAG_S * spacing_hz * size)
    found = np.zeros(len(tried))
    # A turn from one drift to the next costs a product; the sines are worked out once.
    first = np.outer(since_s, frequencies)
    turned = phases * np.exp(2j * np.pi * first * tried[0] / _PER_MILLION).astype(np.complex64)
    gap = (tried[1] - tried[0]) if len(tried) > 1 else 0.0
    turn = np.exp(2j * np.pi * first * gap / _PER_MILLION).astype(np.complex64)
    for number in range(len(tried)):
        if number:
            turned *= turn
        line = np.abs(np.fft.irfft(turned.sum(axis=0, dtype=np.complex128), size))
        found[number] = max(line[: reach + 1].max(), line[-reach:].max())
    return found


def _peak(
    phases: Phases, times_s: npt.NDArray[np.float64], ppm: float, rate_hz: int
) -> Peak | None:
    """With the drift undone; its lag is that at the take's first sample."""
    spacing_hz = float(1 / BLOCK_S)
    frequencies = np.arange(phases.shape[1]) * spacing_hz
    turns = np.exp(2j * np.pi * np.outer(times_s - times_s.mean(), frequencies) * ppm / 1e6)
    summed = (phases * turns.astype(np.complex64)).sum(axis=0, dtype=np.complex128)
    weighed = summed / len(phases)
    peak = find_peak(weighed, spacing_hz, rate_hz, MAX_LAG_S)
    if peak is None:
        return None
    since_start = ppm / _PER_MILLION * float(times_s.mean()) * rate_hz
    return replace(peak, lag_samples=peak.lag_samples - since_start)
