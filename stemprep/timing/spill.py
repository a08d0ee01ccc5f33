"""How late an overdub is: the mix it was played to leaks from the headphones into its microphone.

Spill lies 30 to 50 dB under the take and everywhere in it, so all blocks count alike whatever
their level (phase transform of each, then the mean), and the band ends where headphones stop
leaking. Blocks last the same time at every sample rate, so that their bins are the same
frequencies and two rates can be compared without converting one.

A second microphone on something that is in the mix looks the same to that measure, a lag and all,
but it has nothing late in it. It is told apart by how much of the track the mix accounts for: spill
is a fraction of a percent, a second microphone most of it.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from fractions import Fraction
from typing import Literal

import numpy as np
import numpy.typing as npt

from stemprep.timing.correlation import Peak, find_peak, phase_only
from stemprep.units import db_from_ratio

Samples = npt.NDArray[np.floating]
SpillKind = Literal["spill", "same-source", "none"]

BLOCK_S = Fraction(32, 25)  # 1.28 s: whole samples, and quick to transform, at every usual rate
# Half a block: every sound lies in the middle of some block's window.
HOP_S = BLOCK_S / 2
# Where headphones leak: their pads and distance take the rest (common practice, no source).
BAND_HZ = (100.0, 4_500.0)
# Several times the usual round trip through an interface (common practice, no source).
MAX_LAG_S = 0.2
MIN_RATIO, MIN_PROMINENCE = 3.0, 16.0
"""Independent tracks reach 2.9 and 11 (measured)."""
MIN_SHARED, MIN_COHERENCE = 0.15, 0.25
"""Spill reaches 0.07, tracks of the mix 0.2; a coherence of 0.12 occurs by chance (measured)."""
CHANCE_SHARED = 1.2
"""Over the root of the number of blocks: a few partials agree as much by chance."""
# About 3 s: a mean of fewer is chance.
MIN_BLOCKS = 4
# Keeps quotients finite where nothing sounds.
_TINY = 1e-30
QUIET = 1e-5  # -100 dBFS: a block of nothing but noise says nothing


@dataclass(frozen=True, slots=True, kw_only=True)
class SpillLag:
    """What a track tells about its start.

    kind:   ``spill``: the mix leaks into it; ``same-source``: what it plays is in the mix;
            ``none``: it tells nothing.
    peak:   lag in samples of the track; None where nothing could be compared.
    shared: 0..1, how far the track's loud partials follow the mix at that lag (a spill 34 dB
            down: 0.02).
    blocks: how many blocks were compared.
    level_db: how far below the track the mix lies in it, dB, negative; None where none was found.
    """

    kind: SpillKind
    peak: Peak | None
    shared: float
    blocks: int
    level_db: float | None = None


def block_frames(rate_hz: int) -> int:
    """Frames of a block; ValueError for a rate at which blocks are no whole number of frames."""
    frames = BLOCK_S * rate_hz
    if frames.denominator != 1 or frames.numerator % 2:
        raise ValueError(
            f"{rate_hz} Hz: blocks of {float(BLOCK_S)} s are no even number of samples"
        )
    return frames.numerator


class SpillMeter:
    """Adds up the blocks of a track and of the mix, taken at the same times."""

    def __init__(self, track_hz: int, mix_hz: int) -> None:
        self._rate_hz = track_hz
        self._windows = tuple(
            np.hanning(block_frames(rate) + 1)[:-1] for rate in (track_hz, mix_hz)
        )
        self._spacing_hz = float(1 / BLOCK_S)
        self._bins = int(BAND_HZ[1] / self._spacing_hz) + 1
        self._voices = np.zeros(self._bins, dtype=np.complex128)
        self._cross = np.zeros(self._bins, dtype=np.complex128)
        self._powers = np.zeros((2, self._bins))
        self._blocks = 0

    def add(self, track: Samples, mix: Samples) -> None:
        """One block of each, one channel; quiet ones are passed over."""
        if min(_rms(track), _rms(mix)) < QUIET:
            return
        pair = (track, mix)
        spectra = [
            np.fft.rfft(x * w)[: self._bins] for x, w in zip(pair, self._windows, strict=True)
        ]
        cross = spectra[0] * spectra[1].conj()
        self._voices += phase_only(cross, self._spacing_hz, BAND_HZ)
        self._cross += cross
        self._powers += np.abs(spectra) ** 2
        self._blocks += 1

    def finish(self, mix_late_s: float = 0.0) -> SpillLag:
        """What all blocks together tell; mix_late_s: how much too late the mix's blocks began."""
        if self._blocks < MIN_BLOCKS:
            return SpillLag(kind="none", peak=None, shared=0.0, blocks=self._blocks)
        peak = find_peak(self._voices, self._spacing_hz, self._rate_hz, MAX_LAG_S)
        if peak is None:
            return SpillLag(kind="none", peak=None, shared=0.0, blocks=self._blocks)
        shared, coherence = self._agreement(peak), self._coherence()
        kind = _kind(peak, shared, coherence, self._blocks)
        return SpillLag(
            kind=kind,
            level_db=self._level_db(peak) if kind == "spill" else None,
            peak=replace(peak, lag_samples=peak.lag_samples - mix_late_s * self._rate_hz),
            shared=max(shared, 0.0),
            blocks=self._blocks,
        )

    def _turned(self, peak: Peak) -> npt.NDArray[np.float64]:
        """The cross-spectrum with the lag undone: what has the phase of that lag is positive."""
        frequencies = np.arange(self._bins) * self._spacing_hz
        turns = np.exp(2j * np.pi * frequencies * peak.lag_samples / self._rate_hz)
        return np.asarray((self._cross * turns).real)

    def _level_db(self, peak: Peak) -> float:
        """Gain of the mix in the track: the median over all bins, which a few loud notes of the
        track do not move, times the levels of both in the band.
        """
        band = slice(int(BAND_HZ[0] / self._spacing_hz), None)
        track, mix = self._powers[:, band]
        gain = abs(float(np.median(self._turned(peak)[band] / np.maximum(mix, _TINY))))
        ratio = gain * float(np.sqrt(mix.sum() / max(track.sum(), _TINY)))
        return db_from_ratio(ratio)

    def _agreement(self, peak: Peak) -> float:
        """Coherence with the phase of that lag, signed, weighted by the track's power.

        What agrees by chance has any phase and cancels; a second microphone's loud partials agree.
        """
        track, mix = self._powers
        parts = np.sqrt(track / np.maximum(mix, _TINY)) * self._turned(peak)
        band = slice(int(BAND_HZ[0] / self._spacing_hz), None)
        total = float(parts[band].sum() / max(track[band].sum(), _TINY))
        return total if peak.height > 0.0 else -total

    def _coherence(self) -> float:
        """Magnitude-squared coherence weighted by the track's power; by chance 1 / blocks."""
        band = slice(int(BAND_HZ[0] / self._spacing_hz), None)
        track, mix = self._powers[:, band]
        explained = np.abs(self._cross[band]) ** 2 / np.maximum(mix, _TINY)
        chance = 1.0 / self._blocks
        return (float(explained.sum() / max(track.sum(), _TINY)) - chance) / (1.0 - chance)


def _kind(peak: Peak, shared: float, coherence: float, blocks: int) -> SpillKind:
    if peak.prominence < MIN_PROMINENCE:
        return "none"
    stands_out = peak.ratio >= MIN_RATIO
    enough = max(MIN_SHARED, CHANCE_SHARED / float(np.sqrt(blocks)))
    if (stands_out and shared >= enough) or coherence >= MIN_COHERENCE:
        return "same-source"
    return "spill" if stands_out else "none"


def _rms(block: Samples) -> float:
    return float(np.sqrt(np.mean(np.square(block, dtype=np.float64))))
