"""Lag and polarity against theory: the shift theorem, the sinc of a flat band, random phases."""

from __future__ import annotations

import numpy as np
import pytest

from stemprep.timing import Peak, find_peak, phase_only

RATE_HZ = 48_000
FRAMES = 16_384
SPACING_HZ = RATE_HZ / FRAMES
BAND_HZ = (100.0, 8_000.0)
FREQUENCIES_HZ = np.arange(FRAMES // 2 + 1) * SPACING_HZ


def shifted(lag_samples: float, sign: float = 1.0) -> np.ndarray:
    """The cross-spectrum of a signal and its copy so much later.

    Shift theorem: a delay d turns the spectrum by exp(-2 pi i f d) (Oppenheim and Schafer,
    Discrete-Time Signal Processing, from memory).
    """
    turns = np.exp(-2j * np.pi * FREQUENCIES_HZ * lag_samples / RATE_HZ)
    return np.asarray(sign * turns)


def peak_of(cross: np.ndarray, max_lag_s: float = 0.05) -> Peak:
    found = find_peak(phase_only(cross, SPACING_HZ, BAND_HZ), SPACING_HZ, RATE_HZ, max_lag_s)
    assert found is not None
    return found


@pytest.mark.parametrize("lag", [0.0, 14.0, 255.93, -341.23, 1_200.5, 2_399.0])
@pytest.mark.parametrize("sign", [1.0, -1.0])
def test_a_pure_delay_is_found_to_a_thousandth_of_a_sample(lag: float, sign: float) -> None:
    peak = peak_of(shifted(lag, sign))
    assert peak.lag_samples == pytest.approx(lag, abs=1e-3)
    assert peak.height == pytest.approx(sign, abs=1e-6)
    assert peak.is_inverted == (sign < 0)


def test_the_colour_of_the_sound_does_not_matter() -> None:
    """Phase transform (Knapp and Carter 1976, table I): only the phase is kept."""
    colour = np.random.default_rng(1).uniform(1e-6, 1e3, len(FREQUENCIES_HZ))
    plain, coloured = peak_of(shifted(100.25)), peak_of(colour * shifted(100.25))
    assert coloured.lag_samples == pytest.approx(plain.lag_samples, abs=1e-6)
    assert coloured.height == pytest.approx(plain.height, abs=1e-9)


def test_the_sides_of_a_flat_band_fall_as_the_sinc_does() -> None:
    """A band from zero to B has the correlation sin(2 pi B t) / (2 pi B t) (Woodward's sinc; any
    text on Fourier transforms). Second peaks are looked for from 0.5 ms on, that is at 8 pi for
    8 kHz; the first lobe beyond has its top at 8.5 pi: one 26.7th of the peak.
    """
    band = phase_only(shifted(0.0), SPACING_HZ, (0.0, 8_000.0))
    near = find_peak(band, SPACING_HZ, RATE_HZ, 0.05)
    assert near is not None
    assert near.ratio == pytest.approx(8.5 * np.pi, rel=0.04)


def test_random_phases_reach_no_verdict() -> None:
    """Of n independent values of a normal distribution the largest is near sqrt(2 ln n) deviations,
    the median size 0.674: 4.0 / 0.674 = 6 for some 1,600 independent lags (Rice, Mathematical
    Statistics, from memory).
    """
    generator = np.random.default_rng(7)
    for _ in range(50):
        phases = np.exp(2j * np.pi * generator.uniform(size=len(FREQUENCIES_HZ)))
        peak = peak_of(phases)
        assert peak.ratio < 1.4
        assert 4.0 < peak.prominence < 9.0


def test_nothing_in_the_band_gives_nothing() -> None:
    silent = np.zeros(FRAMES // 2 + 1, dtype=complex)
    assert find_peak(phase_only(silent, SPACING_HZ, BAND_HZ), SPACING_HZ, RATE_HZ, 0.05) is None


def test_confidence_grows_with_the_distance_to_the_second_peak() -> None:
    alone = peak_of(shifted(0.0)).confidence
    low, high = (peak_of(shifted(0.0) + echo * shifted(300.0)).confidence for echo in (0.3, 0.95))
    assert 0.0 < high < 0.4 < low < alone <= 1.0
