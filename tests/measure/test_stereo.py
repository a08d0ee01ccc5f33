"""The relation of two channels over time."""

from __future__ import annotations

import numpy as np
import pytest

from stemprep.model.facts import StereoFacts
from tests import signals
from tests.measure.feed import measure
from tests.signals import Planar

RATE_HZ = 48_000


def stereo_of(samples: Planar, rate_hz: int = RATE_HZ) -> StereoFacts:
    stereo = measure(samples, rate_hz=rate_hz).stereo
    assert stereo is not None
    return stereo


def pair(mid: Planar, side: Planar) -> Planar:
    return np.concatenate([mid + side, mid - side])


@pytest.mark.parametrize("rate_hz", [8_000, 44_100, 48_000, 96_000, 192_000])
def test_one_side_turned_over(rate_hz: int) -> None:
    """A little true width in it does not hide it."""
    mid = signals.pluck(peak_dbfs=-12, seconds=3, rate_hz=rate_hz)
    side = signals.pluck(peak_dbfs=-32, seconds=3, rate_hz=rate_hz, seed=2)
    samples = pair(mid, side)
    assert stereo_of(samples, rate_hz).lasting_correlation == pytest.approx(0.98, abs=0.03)
    samples[1] *= -1
    facts = stereo_of(samples, rate_hz)
    assert facts.lasting_correlation is not None
    assert facts.lasting_correlation <= -0.9
    assert facts.out_of_phase_share == 1.0
    assert facts.mono_sum_change_db is not None
    assert facts.mono_sum_change_db < -14


def test_two_microphones_of_one_drum_are_not_opposed() -> None:
    """The second one inverted, 24 samples later, duller, with a rattle of its own."""
    drum = signals.pluck(peak_dbfs=-6, seconds=4)
    late = np.roll(drum, 24, axis=1) * 0.8
    rattle = signals.noise(peak_dbfs=-30, seconds=4) * np.abs(drum) / np.abs(drum).max()
    facts = stereo_of(np.concatenate([drum, -late + rattle]))
    assert facts.lasting_correlation is not None
    assert facts.lasting_correlation > -0.9


def test_mid_and_side_are_not_opposed() -> None:
    mid = signals.pluck(peak_dbfs=-12, seconds=3)
    side = -0.4 * mid + signals.noise(peak_dbfs=-24, seconds=3)
    assert (stereo_of(np.concatenate([mid, side])).lasting_correlation or 0) > -0.9


def test_share_of_the_time() -> None:
    """Opposed in the second half: half of the time, and not for most of it."""
    samples = signals.noise(peak_dbfs=-12, seconds=8)
    samples = np.concatenate([samples, samples])
    samples[1, 4 * RATE_HZ :] *= -1
    facts = stereo_of(samples)
    assert facts.out_of_phase_share == pytest.approx(0.5, abs=0.05)
    assert facts.lasting_correlation == 1.0


@pytest.mark.parametrize(("right_dbfs", "is_heard"), [(-54.0, True), (-58.0, False)])
def test_a_side_that_hardly_sounds_has_no_say(right_dbfs: float, is_heard: bool) -> None:
    """-60 dBFS RMS: a uniform noise lies 4.77 dB under its peak."""
    samples = signals.noise(peak_dbfs=-12, seconds=2)
    right = -samples * 10 ** ((right_dbfs + 12) / 20)
    facts = stereo_of(np.concatenate([samples, right]))
    assert (facts.lasting_correlation is not None) is is_heard
    assert (facts.out_of_phase_share is not None) is is_heard


def test_too_short_for_one_window() -> None:
    facts = stereo_of(signals.noise(peak_dbfs=-12, seconds=0.2, channels=2))
    assert facts.lasting_correlation is None
