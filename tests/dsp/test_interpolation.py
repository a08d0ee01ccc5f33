"""The true-peak kernels: published table, frequency response, and the bounds derived from them."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from stemprep.dsp.interpolation import interpolator
from stemprep.model.words import TruePeakFilter

FILTERS: tuple[TruePeakFilter, ...] = ("long", "hann-49", "annex-2")


def test_annex_2_table() -> None:
    """ITU-R BS.1770-5, Annex 2: entries as printed, and the sums that follow from them."""
    kernels = interpolator("annex-2", 48_000).kernels
    assert kernels.shape == (4, 12)
    assert kernels[0, 6] == 0.1373291015625  # phase 0, taps 5 and 6, oldest sample first
    assert kernels[0, 5] == 0.9721679687500
    assert kernels[1, 11] == -0.0291748046875
    assert np.array_equal(kernels[3], kernels[0, ::-1])
    assert np.array_equal(kernels[2], kernels[1, ::-1])
    assert kernels.sum() == 3.94921875
    assert kernels[0].sum() == pytest.approx(1.00158691, abs=1e-8)
    assert kernels[1].sum() == pytest.approx(0.97302246, abs=1e-8)


@pytest.mark.parametrize(
    ("rate_hz", "shape"), [(44_100, (3, 12)), (96_000, (1, 24)), (192_000, (0, 48))]
)
def test_hann_49_factors(rate_hz: int, shape: tuple[int, int]) -> None:
    """libebur128 (ebur128.c): 4 times below 96 kHz, 2 times below 192 kHz, none above."""
    assert interpolator("hann-49", rate_hz).kernels.shape == shape


def test_hann_49_taps() -> None:
    """libebur128 (ebur128.c, interp_create): sinc(m pi / 4) times a Hann window over 49 taps."""
    taps = np.arange(49)
    offset = taps - 24
    expected = np.sinc(offset / 4) * 0.5 * (1 - np.cos(2 * np.pi * taps / 48))
    kernels = interpolator("hann-49", 48_000).kernels
    for phase in (1, 2, 3):
        # Phase p reads p quarters after sample n: taps p, p + 4, ... newest sample first.
        assert kernels[phase - 1] == pytest.approx(expected[phase::4][::-1], abs=1e-15)


@pytest.mark.parametrize("rate_hz", [44_100, 96_000, 192_000])
def test_long_filter_is_flat(rate_hz: int) -> None:
    """Every phase within 0.05 dB and 0.02 sample periods up to 0.45 of the rate (our own aim)."""
    kernel = interpolator("long", rate_hz)
    offsets = np.arange(kernel.taps) - (kernel.taps // 2 - 1)
    frequency = np.linspace(0, 0.45, 200)
    response = kernel.kernels @ np.exp(2j * np.pi * offsets[:, None] * frequency)
    ideal = np.exp(2j * np.pi * kernel.positions[:, None] * frequency)
    assert np.abs(20 * np.log10(np.abs(response))).max() < 0.05
    assert np.abs(response - ideal).max() < 0.006


@settings(deadline=None)
@given(
    name=st.sampled_from(FILTERS),
    rate_hz=st.sampled_from([48_000, 96_000]),
    seed=st.integers(0, 2**32 - 1),
    roughness=st.integers(0, 3),
)
def test_smooth_bound_holds(name: TruePeakFilter, rate_hz: int, seed: int, roughness: int) -> None:
    """No value exceeds s max|x| + m |dx| + r max|ddx|, from white noise to smooth curves."""
    kernel = interpolator(name, rate_hz)
    samples = np.random.default_rng(seed).uniform(-1, 1, kernel.taps)
    for _ in range(roughness):
        samples = np.cumsum(samples)
    centre = kernel.taps // 2
    beside = samples[centre - 1 : centre + 1]
    scale, slope, bend = kernel.smooth_gains
    bound = scale * np.abs(beside).max() + slope * abs(np.diff(beside)[0])
    bound += bend * np.abs(np.diff(samples, 2)).max()
    assert np.abs(kernel.kernels @ samples).max() <= bound * (1 + 1e-9)


def test_bounds_are_tight() -> None:
    """The worst signal reaches the gain: a bound that is too generous would cost time only."""
    kernel = interpolator("long", 48_000)
    row = kernel.kernels[7]
    assert row @ np.sign(row) == pytest.approx(kernel.gain, rel=0.01)
