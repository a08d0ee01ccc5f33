"""Linear prediction against closed forms and scipy."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.linalg import solve_toeplitz
from scipy.signal import lfilter

from stemprep.dsp.prediction import error_filter, interpolated, prediction_error


def resonance(frames: int = 20_000) -> np.ndarray:
    """White noise through two known poles: x[n] = 1.6 x[n-1] - 0.81 x[n-2] + e[n]."""
    return lfilter([1.0], [1, -1.6, 0.81], np.random.default_rng(2).normal(size=frames))


def test_the_filter_that_made_the_sound() -> None:
    taps = error_filter([resonance()], 2)
    assert taps == pytest.approx([1, -1.6, 0.81], abs=0.02)


def test_against_scipy_toeplitz() -> None:
    sound = resonance(2_000)
    tapered = sound * np.hanning(sound.size)
    lags = np.correlate(tapered, tapered, "full")[sound.size - 1 :][:17]
    lags[0] *= 1 + 1e-9
    expected = -solve_toeplitz(lags[:-1], lags[1:])
    assert error_filter([sound], 16)[1:] == pytest.approx(expected, abs=1e-9)


def test_the_error_is_what_drives_the_sound() -> None:
    driving = np.random.default_rng(2).normal(size=20_000)
    error = prediction_error(resonance(), np.array([1, -1.6, 0.81]))
    assert error == pytest.approx(driving[2:], abs=1e-9)


@pytest.mark.parametrize("count", [1, 7, 64])
def test_lost_samples_of_tones_come_back(count: int) -> None:
    at = np.arange(3_000)
    sound = np.sin(0.21 * at) + 0.4 * np.sin(0.9 * at + 1)
    sound += 1e-5 * np.random.default_rng(1).normal(size=at.size)
    taps = error_filter([sound[:1_400], sound[1_600:]], 32)
    broken = sound.copy()
    broken[1_500 : 1_500 + count] = 9.0
    made = interpolated(broken, taps, 1_500, count)
    assert made == pytest.approx(sound[1_500 : 1_500 + count], abs=2e-3)


@pytest.mark.parametrize("count", [1, 5, 40])
def test_interpolation_against_least_squares(count: int) -> None:
    """numpy.linalg.lstsq on the written-out equations."""
    sound, taps = resonance(400), error_filter([resonance(4_000)], 8)
    rows = np.zeros((count + 8, count))
    for row in range(count + 8):
        for column in range(count):
            if 0 <= row - column <= 8:
                rows[row, column] = taps[row - column]
    known = sound.copy()
    known[200 : 200 + count] = 0
    error = np.convolve(known[192 : 208 + count], taps, "valid")
    expected = np.linalg.lstsq(rows, -error, rcond=None)[0]
    assert interpolated(sound, taps, 200, count) == pytest.approx(expected, abs=1e-8)


def test_silence_predicts_itself() -> None:
    taps = error_filter([np.zeros(100)], 4)
    assert taps.tolist() == [1, 0, 0, 0, 0]
