"""How files begin and end."""

from __future__ import annotations

import math

import numpy as np
import pytest

from tests import signals
from tests.measure.feed import measure


def test_a_tone_cut_at_both_ends() -> None:
    samples = signals.sine(201.7, peak_dbfs=-12, seconds=1, phase_degrees=60)
    facts = measure(samples).transients
    assert facts.head.is_abrupt
    assert facts.tail.is_abrupt
    # A sine's RMS lies 3.01 dB under its peak; 5 ms hold one period.
    assert facts.head.level_dbfs == pytest.approx(-15.01, abs=0.3)


def test_a_tone_between_zero_crossings() -> None:
    samples = signals.sine(200, peak_dbfs=-12, seconds=1)
    facts = measure(samples).transients
    assert not facts.head.is_abrupt
    assert not facts.tail.is_abrupt


def test_fades_and_silence() -> None:
    samples = signals.noise(peak_dbfs=-12, seconds=1)
    ramp = np.minimum(1, np.arange(48_000) / 480)
    facts = measure(samples * ramp * ramp[::-1]).transients
    assert not facts.head.is_abrupt
    assert not facts.tail.is_abrupt
    silent = measure(signals.silence(seconds=1)).transients
    assert silent.tail.level_dbfs == -math.inf
    assert not silent.tail.is_abrupt


def test_the_louder_channel_tells() -> None:
    quiet = signals.sine(200, peak_dbfs=-50, seconds=1)
    loud = signals.sine(201.7, peak_dbfs=-12, seconds=1, phase_degrees=60)
    facts = measure(np.vstack([quiet, loud])).transients
    assert (facts.head.channel, facts.tail.channel) == (2, 2)


def test_shorter_than_an_edge() -> None:
    facts = measure(np.full((1, 3), 0.5)).transients
    assert facts.head.level_dbfs == pytest.approx(-6.02, abs=0.01)
