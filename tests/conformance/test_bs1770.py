"""ITU-R BS.1770-5: calibration, channel weights, gates and what is undefined."""

from __future__ import annotations

import math

import pytest

from stemprep.measure.loudness import channel_weights
from tests import signals
from tests.measure.feed import measure


@pytest.mark.parametrize(
    ("rate_hz", "tolerance"),
    [(44_100, 0.005), (48_000, 0.001), (96_000, 0.02), (192_000, 0.03)],
)
def test_calibration(rate_hz: int, tolerance: float) -> None:
    """Annex 1: a 0 dBFS 997 Hz sine in one channel reads -3.01; in both, 0.00.

    The bilinear filters drift by up to -0.027 dB at 192 kHz.
    """
    tone = signals.sine(997, peak_dbfs=0, seconds=2, rate_hz=rate_hz, channels=2)
    left = tone * [[1], [0]]
    for samples, expected in ((tone, 0.0), (left, -3.0103), (tone[:1], -3.0103)):
        reading = measure(samples, rate_hz=rate_hz, bits=None).loudness.loudness_lufs
        assert reading == pytest.approx(expected, abs=tolerance)


@pytest.mark.parametrize(
    ("channels", "mask", "expected"),
    [
        (1, None, [1]),
        (2, None, [1, 1]),
        (4, 0x33, [1, 1, 1, 1]),
        (5, None, [1, 1, 1, 1.41, 1.41]),
        (5, 0x607, [1, 1, 1, 1.41, 1.41]),
        (6, None, [1, 1, 1, 0, 1.41, 1.41]),
        (6, 0x3F, [1, 1, 1, 0, 1.41, 1.41]),
        (6, 0x60F, [1, 1, 1, 0, 1.41, 1.41]),
        (6, 0, [1, 1, 1, 0, 1.41, 1.41]),
        (8, 0x63F, [1, 1, 1, 0, 1, 1, 1.41, 1.41]),
        (8, None, [1] * 8),
        (6, 0x3, [1, 1, 1, 0, 1.41, 1.41]),
    ],
)
def test_channel_weights(channels: int, mask: int | None, expected: list[float]) -> None:
    """Tables 3 and 4: 1.41 between 60 and 120 degrees, the low-frequency channel left out."""
    assert channel_weights(channels, mask).tolist() == expected


@pytest.mark.parametrize(
    ("milliseconds", "is_defined"), [(50, False), (399, False), (400, True), (401, True)]
)
@pytest.mark.parametrize("rate_hz", [44_100, 48_000])
def test_shortest_measurable(milliseconds: int, is_defined: bool, rate_hz: int) -> None:
    """A gating block is 400 ms; nothing shorter has a loudness."""
    loudness = measure(
        signals.pluck(peak_dbfs=-6, seconds=milliseconds / 1000, rate_hz=rate_hz), rate_hz=rate_hz
    ).loudness
    assert (loudness.loudness_lufs is not None) == is_defined
    assert (loudness.max_momentary_lufs is not None) == is_defined
    assert (loudness.reason == "") == is_defined


@pytest.mark.parametrize(("seconds", "is_defined"), [(2.99, False), (3.0, True)])
def test_shortest_range_and_short_term(seconds: float, is_defined: bool) -> None:
    loudness = measure(signals.noise(peak_dbfs=-20, seconds=seconds)).loudness
    assert (loudness.max_short_term_lufs is not None) == is_defined
    assert (loudness.loudness_range_lu is not None) == is_defined
    assert not loudness.is_range_meaningful


def test_under_the_absolute_gate() -> None:
    loudness = measure(signals.noise(peak_dbfs=-90, seconds=4)).loudness
    assert loudness.loudness_lufs is None
    assert loudness.loudness_range_lu is None
    assert loudness.max_momentary_lufs is not None
    assert -math.inf < loudness.max_momentary_lufs < -70


def test_mono_counts_once() -> None:
    """The same sound as two equal channels reads 3.01 LU more."""
    pluck = signals.pluck(peak_dbfs=-6, seconds=2, channels=2)
    mono, dual = (measure(samples).loudness.loudness_lufs for samples in (pluck[:1], pluck))
    assert mono is not None
    assert dual == pytest.approx(mono + 3.0103, abs=1e-4)
