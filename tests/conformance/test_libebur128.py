"""Against libebur128 (through pyebur128), an independent meter, on generated sound."""

from __future__ import annotations

import numpy as np
import pyebur128
import pytest

from tests import signals
from tests.measure.feed import block_of, measure
from tests.shipped import measure_settings

MODES = (
    pyebur128.MeasurementMode.MODE_I
    | pyebur128.MeasurementMode.MODE_S
    | pyebur128.MeasurementMode.MODE_TRUE_PEAK
)


def _programme(rate_hz: int, channels: int) -> np.ndarray:
    """Eight seconds with loud, soft and silent parts."""
    parts = [
        signals.noise(peak_dbfs=-6, seconds=2.5, rate_hz=rate_hz, channels=channels),
        signals.pluck(peak_dbfs=-3, seconds=3, rate_hz=rate_hz, channels=channels),
        signals.silence(seconds=0.7, rate_hz=rate_hz, channels=channels),
        0.05 * signals.noise(peak_dbfs=0, seconds=1.8, rate_hz=rate_hz, channels=channels, seed=2),
    ]
    return np.hstack(parts)


def reference(samples: np.ndarray, rate_hz: int) -> pyebur128.R128State:
    """A meter that has heard planar samples."""
    state = pyebur128.R128State(len(samples), rate_hz, MODES)
    interleaved = np.ascontiguousarray(samples.T, dtype=np.float64)
    state.add_frames(interleaved.ravel(), samples.shape[1])
    return state


@pytest.mark.parametrize("rate_hz", [32_000, 44_100, 48_000, 88_200, 96_000, 192_000])
@pytest.mark.parametrize(("channels", "bits"), [(1, 16), (2, 24), (2, None)])
def test_integrated_and_true_peak(rate_hz: int, channels: int, bits: int | None) -> None:
    samples = block_of(_programme(rate_hz, channels), bits).samples.astype(np.float64)
    config = measure_settings(true_peak_filter="hann-49")
    sound = measure(samples, rate_hz=rate_hz, bits=bits, settings=config)
    other = reference(samples, rate_hz)
    expected = pyebur128.get_loudness_global(other)
    assert sound.loudness.loudness_lufs == pytest.approx(expected, abs=1e-5)
    peaks = [pyebur128.get_true_peak(other, channel) for channel in range(channels)]
    assert sound.level.true_peak_dbtp == pytest.approx(20 * np.log10(max(peaks)), abs=1e-4)
