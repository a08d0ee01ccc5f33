"""K-weighting against the published tables and against a sequential filter."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.signal import sosfilt, sosfreqz

from stemprep.dsp.cells import CHUNK_FRAMES
from stemprep.dsp.k_weighting import KWeighting, k_weighting_coefficients
from tests import signals


def _sections(rate_hz: int) -> np.ndarray:
    return np.array([[*row[:3], 1.0, *row[3:]] for row in k_weighting_coefficients(rate_hz)])


def test_table_at_48_khz() -> None:
    """ITU-R BS.1770-5, Annex 1, tables 1 and 2."""
    shelf, high_pass = k_weighting_coefficients(48_000)
    assert shelf == pytest.approx(
        [
            1.53512485958697,
            -2.69169618940638,
            1.19839281085285,
            -1.69065929318241,
            0.73248077421585,
        ],
        abs=1e-13,
    )
    assert high_pass == pytest.approx([1, -2, 1, -1.99004745483398, 0.99007225036621], abs=1e-13)


@pytest.mark.parametrize(
    ("rate_hz", "shelf_b0", "shelf_a2", "high_pass_a1"),
    [
        (44_100, 1.53084123005035, 0.71259542807323, -1.98916967362980),
        (88_200, 1.55751537557965, 0.84414226108785, -1.99457751545034),
        (96_000, 1.55971422897580, 0.85584332293064, -1.99501754472472),
        (176_400, 1.57111531774185, 0.91877174416001, -1.99728692242381),
        (192_000, 1.57222721509128, 0.92511773511683, -1.99750722284070),
    ],
)
def test_other_rates(rate_hz: int, shelf_b0: float, shelf_a2: float, high_pass_a1: float) -> None:
    """Values of the bilinear form in libebur128 (ebur128.c), computed independently."""
    shelf, high_pass = k_weighting_coefficients(rate_hz)
    assert shelf[0] == pytest.approx(shelf_b0, abs=1e-13)
    assert shelf[4] == pytest.approx(shelf_a2, abs=1e-13)
    assert high_pass[3] == pytest.approx(high_pass_a1, abs=1e-13)


@pytest.mark.parametrize(
    ("frequency_hz", "gain_db"), [(20, -13.275), (100, -1.134), (997, 0.691), (10_000, 4.04)]
)
def test_response(frequency_hz: float, gain_db: float) -> None:
    """Response at 48 kHz, computed from the table of BS.1770-5 in another program."""
    _, response = sosfreqz(_sections(48_000), [frequency_hz], fs=48_000)
    assert 20 * np.log10(abs(response[0])) == pytest.approx(gain_db, abs=0.005)


@pytest.mark.parametrize("rate_hz", [4_000, 11_025, 44_100, 48_000, 192_000, 768_000])
@pytest.mark.parametrize(("dtype", "tolerance"), [(np.float32, 1e-6), (np.float64, 1e-10)])
def test_equals_sequential_filter(rate_hz: int, dtype: type, tolerance: float) -> None:
    """Reference: scipy.signal.sosfilt in float64."""
    samples = signals.noise(peak_dbfs=0, seconds=1.5, rate_hz=48_000, channels=2) + 0.3
    weighting = KWeighting(rate_hz, 2, dtype)
    parts = [
        weighting.filter(samples[:, start : start + CHUNK_FRAMES].astype(dtype)).copy()
        for start in range(0, samples.shape[1], CHUNK_FRAMES)
    ]
    expected = sosfilt(_sections(rate_hz), samples)
    assert np.abs(np.hstack(parts) - expected).max() < tolerance


def test_tails_end_in_exact_silence() -> None:
    """Decaying states must not linger in the denormal range, where arithmetic is slow."""
    weighting = KWeighting(48_000, 1, np.float32)
    weighting.filter(np.ones((1, CHUNK_FRAMES), np.float32))
    silence = np.zeros((1, CHUNK_FRAMES), np.float32)
    tail = weighting.filter(silence)
    values = np.abs(tail[tail != 0]).astype(np.float64)
    assert values.size
    assert (values**2).min() > np.finfo(np.float32).tiny
    assert not weighting.filter(silence).any()
