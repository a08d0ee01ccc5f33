"""DC offset told apart from the area of a decaying sound."""

from __future__ import annotations

import math

import numpy as np
import pytest

from stemprep.measure.low_band import point_frames, window_points
from tests import signals
from tests.measure.feed import measure
from tests.signals import Planar

RATE_HZ = 48_000
AT_MINUS_50 = 10 ** (-50 / 20)


def thumps(*, seconds: float, every_s: float, decay_per_s: float, tone_hz: float) -> Planar:
    """A naive drum machine: each thump is a decaying sine, so that its mean is not zero."""
    time = np.arange(round(seconds * RATE_HZ)) / RATE_HZ % every_s
    return 0.6 * np.exp(-decay_per_s * time[None]) * np.sin(2 * np.pi * tone_hz * time[None])


def level_dbfs(offset: float) -> float:
    return 20 * math.log10(abs(offset) + 1e-12)


@pytest.mark.parametrize("seconds", [0.6, 1.0, 7.3, 60.0])
@pytest.mark.parametrize("every_s", [0.25, 0.5, 2.0])
def test_thumps_are_no_offset(seconds: float, every_s: float) -> None:
    """Their plain mean is tone / (decay^2 + (2 pi tone)^2) per second: up to -44 dBFS here."""
    samples = thumps(seconds=seconds, every_s=every_s, decay_per_s=30, tone_hz=55)
    assert level_dbfs(measure(samples).level.dc_offset[0]) < -58


@pytest.mark.parametrize("sign", [-1, 1])
@pytest.mark.parametrize("every_s", [0.25, 0.5, 2.0])
def test_an_offset_under_thumps_is_found(every_s: float, sign: int) -> None:
    """Also where the area of the thumps would cancel it in a plain mean."""
    samples = thumps(seconds=8, every_s=every_s, decay_per_s=30, tone_hz=55) + sign * AT_MINUS_50
    (offset,) = measure(samples).level.dc_offset
    assert math.copysign(1, offset) == sign
    assert level_dbfs(offset) == pytest.approx(-50, abs=2.0 if every_s == 0.25 else 0.7)


@pytest.mark.parametrize("seconds", [1.0, 5.0, 30.0])
def test_an_offset_under_a_pluck_is_exact(seconds: float) -> None:
    samples = signals.pluck(peak_dbfs=-6, seconds=seconds) + 0.02
    assert level_dbfs(measure(samples).level.dc_offset[0]) == pytest.approx(-33.98, abs=0.05)


def test_an_offset_between_muted_stretches_is_found() -> None:
    """Digital silence of a consolidated track has no offset and no say."""
    samples = signals.sine(440, peak_dbfs=-12, seconds=10) + AT_MINUS_50
    samples[:, RATE_HZ : 9 * RATE_HZ] = 0
    assert level_dbfs(measure(samples).level.dc_offset[0]) == pytest.approx(-50, abs=0.5)


def test_the_tail_that_fills_no_window_counts() -> None:
    """0.2 s: one whole window with the attack, then one that ends with the file."""
    samples = thumps(seconds=0.24, every_s=1.0, decay_per_s=60, tone_hz=40)
    assert level_dbfs(measure(samples).level.dc_offset[0]) < -60


@pytest.mark.parametrize(
    ("rate_hz", "frames", "points"),
    [(1_000, 32, 8), (8_000, 32, 31), (44_100, 64, 86), (48_000, 64, 94), (192_000, 256, 94)],
)
def test_windows_last_an_eighth_of_a_second(rate_hz: int, frames: int, points: int) -> None:
    assert (point_frames(rate_hz), window_points(rate_hz)) == (frames, points)
    assert points == 8 or abs(points * frames / rate_hz - 0.125) < 0.002
