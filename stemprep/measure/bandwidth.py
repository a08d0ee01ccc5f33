"""Where the spectrum of the loudest moments ends, against the edges of lower sample rates."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from stemprep.dsp.cells import SEGMENT_FRAMES, Chunk
from stemprep.model.facts import BandwidthFacts
from stemprep.units import db_from_power

Powers = npt.NDArray[np.float64]

# The loudest only: a spectrum needs no more, and memory stays the same for any length.
MOMENTS = 8
# Of 1,024 frames: 2,048 in all, bins of 23 Hz at 48 kHz.
SEGMENTS = 2
FRAMES = SEGMENTS * SEGMENT_FRAMES
LEAST = 1e-7  # mean square, -70 dBFS: fainter moments tell nothing about a spectrum
# AES5-2018 names 32, 44.1, 48 kHz and multiples; 22.05 kHz is half of one of them.
LOWER_RATES_HZ = (22_050, 32_000, 44_100, 48_000, 88_200, 96_000)
LOWEST_RATE_HZ = 44_100  # of files that are looked at
HIGHEST_SHARE = 0.95  # of the file's own rate; nearer edges are not told apart

BELOW = (0.70, 0.86)  # of the edge: sound that must be there
ABOVE = (1.03, 1.08)  # and its end: 44.1 and 48 kHz are told apart here
# Of half the file's own rate: above lies the slope of its own converter's filter.
OWN_EDGE = 0.98
MIN_DROP_DB = 30.0  # less is a slope that music has by itself
MAX_SLOPE_DB = 15.0  # below the edge the spectrum goes on, it does not fall off already


class Bandwidth:
    """Keeps 2,048 frames of the loudest channel at each of the loudest moments."""

    def __init__(self, rate_hz: int) -> None:
        self._rate_hz = rate_hz
        self._is_read = rate_hz >= LOWEST_RATE_HZ
        self._levels: Powers = np.full(MOMENTS, LEAST * FRAMES)
        self._moments = np.zeros((MOMENTS, FRAMES))

    def add(self, chunk: Chunk) -> None:
        """Look at the loudest moment of one chunk."""
        count = chunk.frames // FRAMES
        if not count or not self._is_read:
            return
        energies = chunk.energies[:, : count * SEGMENTS].reshape(len(chunk.energies), count, -1)
        powers = energies.sum(axis=2)
        channel, place = divmod(int(powers.argmax()), count)
        quietest = int(self._levels.argmin())
        if powers[channel, place] > self._levels[quietest]:
            self._levels[quietest] = powers[channel, place]
            self._moments[quietest] = chunk.samples[channel, place * FRAMES :][:FRAMES]

    def facts(self) -> BandwidthFacts:
        """The lower rate at whose edge the spectrum ends; of several the lowest."""
        heard = self._moments[self._levels > LEAST * FRAMES]
        if not heard.size:
            return BandwidthFacts()
        window = 0.5 - 0.5 * np.cos(2 * np.pi * (np.arange(FRAMES) + 0.5) / FRAMES)
        spectra = np.square(np.abs(np.fft.rfft(heard * window)))
        powers = (spectra / spectra.sum(axis=1, keepdims=True)).mean(axis=0)
        for rate_hz in LOWER_RATES_HZ:
            if rate_hz > HIGHEST_SHARE * self._rate_hz:
                break
            drop_db = self._drop_db(powers, rate_hz / 2)
            if drop_db is not None:
                return BandwidthFacts(ends_like_rate_hz=rate_hz, drop_db=drop_db)
        return BandwidthFacts()

    def _drop_db(self, powers: Powers, edge_hz: float) -> float | None:
        """How far the spectrum falls at an edge; None where it does not end there."""
        middle = sum(BELOW) / 2
        second = self._level_db(powers, middle * edge_hz, BELOW[1] * edge_hz)
        beyond = self._level_db(powers, ABOVE[0] * edge_hz, OWN_EDGE * self._rate_hz / 2)
        if second - beyond < MIN_DROP_DB:
            return None  # most sound goes on behind every edge
        top_hz = min(ABOVE[1] * edge_hz, OWN_EDGE * self._rate_hz / 2)
        drop_db = second - self._level_db(powers, ABOVE[0] * edge_hz, top_hz)
        first = self._level_db(powers, BELOW[0] * edge_hz, middle * edge_hz)
        ends = drop_db >= MIN_DROP_DB and first - second <= MAX_SLOPE_DB
        return drop_db if ends else None

    def _level_db(self, powers: Powers, low_hz: float, high_hz: float) -> float:
        """Typical level of the bins between two frequencies: single tones do not count."""
        low, high = (round(hz * FRAMES / self._rate_hz) for hz in (low_hz, high_hz))
        return db_from_power(float(np.median(powers[low : max(high, low + 1)])) + 1e-30)
