"""Peaks, RMS, crest, DC offset and the relation of two channels."""

from __future__ import annotations

import math

import numpy as np
import pytest

from tests import signals
from tests.measure.feed import measure


def test_sine_levels() -> None:
    """A sine's RMS lies 3.01 dB under its peak (AES17 and IEC 61606 define 0 dBFS by the peak)."""
    level = measure(signals.sine(1000, peak_dbfs=-12, seconds=1, channels=2)).level
    assert level.channel_peaks_dbfs == pytest.approx((-12, -12), abs=0.001)
    assert level.rms_dbfs == pytest.approx(-15.0103, abs=0.001)
    assert level.crest_factor_db == pytest.approx(3.0103, abs=0.001)


def test_peak_position_is_the_first() -> None:
    samples = np.zeros((3, 100_000))
    samples[2, 70_001] = -0.5
    samples[1, 70_001] = 0.5
    samples[0, 70_002] = 0.5
    samples[0, 99_999] = -0.5
    level = measure(samples).level
    assert (level.sample_peak_channel, level.sample_peak_sample) == (2, 70_001)
    assert level.channel_peaks_dbfs == pytest.approx((-6.0206,) * 3, abs=1e-4)


@pytest.mark.parametrize("seconds", [0.1, 1.0, 30.0])
@pytest.mark.parametrize("bits", [24, None])
def test_constant_offset(seconds: float, bits: int | None) -> None:
    samples = signals.pluck(peak_dbfs=-6, seconds=seconds, channels=2)
    samples -= samples.mean(axis=1, keepdims=True)
    quiet = 0.02 + 0.01 * samples
    samples[0], samples[1] = quiet[0], -quiet[1] / 2
    left, right = measure(samples, bits=bits).level.dc_offset
    assert 20 * math.log10(left) == pytest.approx(-33.98, abs=0.1)
    assert right == pytest.approx(-0.01, rel=0.01)


@pytest.mark.parametrize("seconds", [0.5, 0.525, 1.0, 2.3, 5.0])
def test_low_notes_are_no_offset(seconds: float) -> None:
    """20 to 41 Hz at full scale, whatever part of a cycle is left over: under -90 dBFS.

    Common practice asks -60 (no source); a plain mean reads up to -30 here.
    """
    worst = 0.0
    for frequency in np.linspace(20, 41, 43):
        for phase in (0, 45, 90):
            samples = signals.sine(
                frequency, peak_dbfs=0, seconds=seconds, rate_hz=8_000, phase_degrees=phase
            )
            (offset,) = measure(samples, rate_hz=8_000, bits=None).level.dc_offset
            worst = max(worst, abs(offset))
    assert 20 * math.log10(worst) < -90


def test_offset_of_a_file_whose_columns_merged() -> None:
    frames = 32 * 8_192 * 2 + 4_321
    samples = np.tile(0.3 * np.sin(2 * np.pi * np.arange(frames) / 1_601), (1, 1)) + 0.004
    assert measure(samples).level.dc_offset == pytest.approx((0.004,), rel=0.001)


def test_dual_mono() -> None:
    stereo = measure(signals.pluck(peak_dbfs=-3, seconds=1, channels=2)).stereo
    assert stereo is not None
    assert stereo.is_identical
    assert stereo.correlation == pytest.approx(1.0, abs=1e-6)
    assert stereo.difference_peak_dbfs == -math.inf
    assert stereo.mono_sum_change_db == pytest.approx(0.0, abs=1e-5)


def test_one_side_inverted() -> None:
    samples = signals.pluck(peak_dbfs=-3, seconds=1, channels=2)
    samples[1] *= -1
    stereo = measure(samples, bits=None).stereo
    assert stereo is not None
    assert stereo.correlation == pytest.approx(-1.0, abs=1e-6)
    assert stereo.mono_sum_change_db == -math.inf
    assert stereo.difference_peak_dbfs == pytest.approx(-3 + 6.0206, abs=0.001)


def test_nearly_cancelling_sides_keep_their_digits() -> None:
    """R = -L with 1 % more: the sum lies 40 + 6 dB under L, whatever the rounding of L and R."""
    samples = signals.noise(peak_dbfs=-3, seconds=1, channels=2)
    samples[1] = -1.0001 * samples[0]
    stereo = measure(samples).stereo
    assert stereo is not None
    assert stereo.mono_sum_change_db == pytest.approx(-80 - 6.02, abs=0.05)


def test_unrelated_sides() -> None:
    """Reference: numpy.corrcoef; the sum of unrelated channels of equal level is 3.01 dB down."""
    samples = signals.noise(peak_dbfs=-3, seconds=2, channels=2)
    stereo = measure(samples).stereo
    assert stereo is not None
    assert stereo.correlation == pytest.approx(np.corrcoef(samples)[0, 1], abs=1e-4)
    assert stereo.mono_sum_change_db == pytest.approx(-3.01, abs=0.05)


def test_dead_side_has_no_correlation() -> None:
    samples = signals.noise(peak_dbfs=-3, seconds=0.2, channels=2)
    samples[1] = 0
    stereo = measure(samples).stereo
    assert stereo is not None
    assert stereo.correlation is None
    assert stereo.mono_sum_change_db == pytest.approx(-3.0103, abs=1e-4)


@pytest.mark.parametrize("channels", [1, 3, 6])
def test_only_stereo_files_have_stereo_facts(channels: int) -> None:
    assert measure(signals.noise(peak_dbfs=-3, seconds=0.1, channels=channels)).stereo is None
