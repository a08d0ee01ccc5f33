"""Clocks that differ, by resampling with an independent library (soxr)."""

from __future__ import annotations

import numpy as np
import pytest
import soxr

from stemprep.timing import microphone_drift, spectrum

RATE_HZ = 48_000
FRAMES = 16_384
STARTS = np.arange(12) * 5 * RATE_HZ + 10_000


def recordings(ppm: float, lag: int = 300) -> tuple[np.ndarray, np.ndarray]:
    """A noise of a minute, and the same by a clock that is faster by so many millionths."""
    sound = np.random.default_rng(5).normal(size=61 * RATE_HZ)
    other = soxr.resample(sound, RATE_HZ, RATE_HZ * (1 + ppm / 1e6), quality="VHQ")
    return sound, np.concatenate((np.zeros(lag), other))[: len(sound)]


def spectra(sound: np.ndarray) -> np.ndarray:
    return spectrum(np.stack([sound[start : start + FRAMES] for start in STARTS]))


@pytest.mark.parametrize("ppm", [-20.0, 8.0, 30.0])
def test_the_difference_of_two_clocks(ppm: float) -> None:
    one, other = map(spectra, recordings(ppm))
    drift = microphone_drift(one, other, STARTS / RATE_HZ, RATE_HZ)
    assert drift is not None
    assert drift.ppm == pytest.approx(ppm, abs=0.1)
    assert drift.first.lag_samples == pytest.approx(300 + ppm * 1e-6 * (STARTS[0] + 8192), abs=0.1)


def test_one_clock_does_not_drift() -> None:
    one, other = map(spectra, recordings(0.0))
    assert microphone_drift(one, other, STARTS / RATE_HZ, RATE_HZ) is None


def test_an_edit_is_no_drift() -> None:
    """From the middle on later by 40 samples."""
    sound, other = recordings(0.0)
    other[30 * RATE_HZ :] = np.roll(other, 40)[30 * RATE_HZ :]
    assert microphone_drift(spectra(sound), spectra(other), STARTS / RATE_HZ, RATE_HZ) is None


def test_unrelated_or_short_recordings_tell_nothing() -> None:
    one, other = map(spectra, recordings(20.0))
    assert microphone_drift(one[:2], other[:2], STARTS[:2] / RATE_HZ, RATE_HZ) is None
    assert microphone_drift(one, other, STARTS / RATE_HZ / 100, RATE_HZ) is None
    noise = spectra(np.random.default_rng(6).normal(size=61 * RATE_HZ))
    assert microphone_drift(one, noise, STARTS / RATE_HZ, RATE_HZ) is None
