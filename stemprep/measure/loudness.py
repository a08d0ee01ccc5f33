"""K-weighted energy of every 10 ms, and the loudness readings that follow from it."""

from __future__ import annotations

from array import array

import numpy as np
import numpy.typing as npt

from stemprep.dsp.cells import Chunk, chunk_frames
from stemprep.dsp.gating import (
    HOPS_PER_S,
    MOMENTARY_HOPS,
    SHORT_TERM_HOPS,
    hop_edges,
    integrated_loudness,
    loudness_from_power,
    loudness_range,
    window_powers,
)
from stemprep.dsp.k_weighting import KWeighting
from stemprep.model.facts import LoudnessFacts

SURROUND_WEIGHT = 1.41  # BS.1770-5 table 3: left and right surround
SHORTEST_RANGE_S = 60  # EBU Tech 3342: no loudness range below one minute
# SPEAKER_LOW_FREQUENCY of WAVE_FORMAT_EXTENSIBLE; BS.1770-5 leaves that channel out.
LFE_BIT = 0x8
SIDE_BITS = (0x10, 0x20, 0x200, 0x400)  # back left and right, side left and right
LOWEST_RATE_HZ = 4_000  # below, the shelf of the K-weighting lies above half the rate
# Far over any rate of sound: a header that states more is wrong.
HIGHEST_RATE_HZ = 1_000_000
# Speakers of 5.0 and 5.1 in WAVE_FORMAT_EXTENSIBLE, where a file of 5 or 6 names none.
MASK_5_0 = 0x37
# The same with the low-frequency channel.
MASK_5_1 = 0x3F


class Loudness:
    """A few numbers a second: channels are weighted and summed as they come."""

    def __init__(
        self, rate_hz: int, channels: int, channel_mask: int | None, dtype: npt.DTypeLike
    ) -> None:
        self._is_defined = LOWEST_RATE_HZ <= rate_hz <= HIGHEST_RATE_HZ
        if self._is_defined:
            self._filter = KWeighting(rate_hz, channels, dtype, chunk_frames(channels))
        self._weights = channel_weights(channels, channel_mask)
        self._rate_hz = rate_hz
        self._energies = array("d")
        self._open = 0.0

    def add(self, chunk: Chunk) -> None:
        """Filter one chunk and close every 10 ms that ends in it."""
        if not self._is_defined:
            return
        weighted = self._filter.filter(chunk.valid)
        squares = np.multiply(weighted, weighted, out=weighted)
        inner = self._edges_inside(chunk.start, chunk.start + chunk.frames) - chunk.start
        starts = np.concatenate([[0], inner[inner < chunk.frames]])
        sums = self._weights @ np.add.reduceat(squares, starts, axis=1).astype(np.float64)
        sums[0] += self._open
        if inner.size and inner[-1] == chunk.frames:
            sums = np.append(sums, 0.0)
        self._energies.extend(sums[:-1].tolist())
        self._open = float(sums[-1])

    def facts(self, frames: int) -> LoudnessFacts:
        """Readings over ``frames`` frames; an incomplete last 10 ms is left out."""
        energies = np.array(self._energies)
        edges = hop_edges(energies.size, self._rate_hz)
        momentary = window_powers(energies, edges, MOMENTARY_HOPS)
        short_term = window_powers(energies, edges, SHORT_TERM_HOPS)
        loudness = integrated_loudness(momentary)
        return LoudnessFacts(
            loudness_lufs=loudness,
            loudness_range_lu=loudness_range(short_term),
            max_momentary_lufs=_highest(momentary),
            max_short_term_lufs=_highest(short_term),
            is_range_meaningful=frames >= SHORTEST_RANGE_S * self._rate_hz,
            reason="" if loudness is not None else self._reason(momentary),
        )

    def _reason(self, momentary: npt.NDArray[np.float64]) -> str:
        if not self._is_defined:
            return f"not defined at a sample rate of {self._rate_hz} Hz"
        if not momentary.size:
            return "shorter than 0.4 s, one measuring block"
        return "nothing louder than the gate at -70 LUFS"

    def _edges_inside(self, start: int, end: int) -> npt.NDArray[np.int64]:
        """Hop edges in (start, end]."""
        done = len(self._energies)
        hops = (end - start) * HOPS_PER_S // self._rate_hz + 3
        edges = ((done + 1 + np.arange(hops)) * self._rate_hz + HOPS_PER_S // 2) // HOPS_PER_S
        inside: npt.NDArray[np.int64] = edges[(edges > start) & (edges <= end)]
        return inside


def channel_weights(channels: int, channel_mask: int | None) -> npt.NDArray[np.float64]:
    """Weight of each channel's power (BS.1770-5 table 3), shape (channels,).

    With a mask of as many speakers as channels, surrounds of a layout of five or more speakers
    weigh 1.41 and the low-frequency channel nothing. Without one, five channels are taken as
    L R C Ls Rs and six as L R C LFE Ls Rs. Everything else weighs 1.
    """
    if not channel_mask or channel_mask.bit_count() != channels:
        channel_mask = {5: MASK_5_0, 6: MASK_5_1}.get(channels, 0)
    weights = np.ones(channels)
    if channels < 5 or not channel_mask:
        return weights
    speakers = [1 << bit for bit in range(32) if channel_mask >> bit & 1]
    # With both pairs (7.1) the back pair stands beyond 120 degrees and weighs 1.
    surrounds = SIDE_BITS[2:] if channel_mask & SIDE_BITS[2] else SIDE_BITS
    for channel, speaker in enumerate(speakers):
        if speaker == LFE_BIT:
            weights[channel] = 0.0
        elif speaker in surrounds:
            weights[channel] = SURROUND_WEIGHT
    return weights


def _highest(powers: npt.NDArray[np.float64]) -> float | None:
    return loudness_from_power(float(powers.max())) if powers.size else None
