"""Sound of a lower rate in a file of a higher one; soxr converts, as it does in many programs."""

from __future__ import annotations

import numpy as np
import pytest
import soxr

from stemprep.model.facts import BandwidthFacts
from tests import signals
from tests.measure.feed import measure
from tests.signals import Planar


def bright(rate_hz: int, *, tilt: float = 1.0, seconds: float = 3.0) -> Planar:
    """Decaying hits of noise whose level falls with frequency to the power of ``tilt``."""
    noise = signals.noise(peak_dbfs=-6, seconds=seconds, rate_hz=rate_hz)
    spectrum = np.fft.rfft(noise)
    frequency = np.fft.rfftfreq(noise.shape[1], 1 / rate_hz)
    shaped = np.fft.irfft(spectrum / (1 + frequency / 500) ** tilt, noise.shape[1])
    time = np.arange(noise.shape[1]) / rate_hz % 0.5
    hits = shaped * np.exp(-6 * time)
    return np.asarray(0.5 * hits / np.abs(hits).max())


def bandwidth_of(samples: Planar, rate_hz: int) -> BandwidthFacts:
    return measure(samples, rate_hz=rate_hz).bandwidth


@pytest.mark.parametrize(
    ("from_hz", "to_hz"),
    [(44_100, 48_000), (44_100, 96_000), (48_000, 96_000), (48_000, 88_200), (44_100, 88_200),
     (96_000, 192_000), (88_200, 192_000), (32_000, 48_000), (22_050, 44_100)],
)  # fmt: skip
@pytest.mark.parametrize("tilt", [0.5, 1.0])
def test_converted_sound_ends_at_its_own_edge(from_hz: int, to_hz: int, tilt: float) -> None:
    converted = soxr.resample(bright(from_hz, tilt=tilt).T, from_hz, to_hz, "VHQ").T
    found = bandwidth_of(converted, to_hz)
    assert found.ends_like_rate_hz == from_hz
    assert found.drop_db is not None
    assert found.drop_db > 40


@pytest.mark.parametrize("rate_hz", [44_100, 48_000, 88_200, 96_000, 192_000])
@pytest.mark.parametrize("tilt", [0.0, 1.0, 2.0, 4.0])
def test_sound_that_goes_on_has_no_end(rate_hz: int, tilt: float) -> None:
    """Up to 24 dB an octave from 500 Hz on: duller than any instrument."""
    assert bandwidth_of(bright(rate_hz, tilt=tilt), rate_hz).ends_like_rate_hz is None


@pytest.mark.parametrize("order", [1, 2, 4])
@pytest.mark.parametrize("corner_hz", [8_000, 16_000, 20_000])
def test_a_low_pass_is_no_edge(corner_hz: float, order: int) -> None:
    """Of 6 to 24 dB an octave, as equalisers and microphones have them."""
    samples = bright(96_000, tilt=0.5)
    frequency = np.fft.rfftfreq(samples.shape[1], 1 / 96_000)
    spectrum = np.fft.rfft(samples) / np.sqrt(1 + (frequency / corner_hz) ** (2 * order))
    filtered = np.fft.irfft(spectrum, samples.shape[1])
    assert bandwidth_of(filtered, 96_000).ends_like_rate_hz is None


@pytest.mark.parametrize(
    "samples",
    [
        pytest.param(signals.silence(seconds=1), id="silence"),
        pytest.param(signals.noise(peak_dbfs=-80, seconds=1), id="too quiet"),
        pytest.param(signals.noise(peak_dbfs=-6, seconds=0.02), id="too short"),
        pytest.param(signals.sine(1000, peak_dbfs=-6, seconds=1), id="a tone"),
        pytest.param(signals.pluck(peak_dbfs=-6, seconds=2), id="a plucked string"),
    ],
)
def test_what_tells_nothing(samples: Planar) -> None:
    assert bandwidth_of(samples, 48_000) == BandwidthFacts()
