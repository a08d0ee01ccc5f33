"""Branch and bound against the same filter without bounds, and known values."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from stemprep.dsp.cells import CHUNK_FRAMES, Reblocker
from stemprep.dsp.interpolation import interpolator
from stemprep.measure.true_peak import TruePeak
from stemprep.model.words import TruePeakFilter
from tests import signals
from tests.measure.feed import measure
from tests.shipped import measure_settings

FILTERS: tuple[TruePeakFilter, ...] = ("long", "hann-49", "annex-2")


def _peak(samples: np.ndarray, name: TruePeakFilter, rate_hz: int, exhaustive: bool) -> TruePeak:
    kernel = interpolator(name, rate_hz)
    peak = TruePeak(kernel, len(samples), samples.dtype, is_exhaustive=exhaustive)
    chunks = Reblocker()
    for chunk in chunks.push(samples):
        peak.add(chunk)
    for chunk in chunks.flush():
        peak.add(chunk)
    peak.finish()
    return peak


def _adversaries() -> dict[str, np.ndarray]:
    frames = CHUNK_FRAMES + 2_000
    n = np.arange(frames)
    generator = np.random.default_rng(11)
    worst = np.zeros(frames)
    kernel = interpolator("long", 48_000).kernels[7]
    for border in (CHUNK_FRAMES, 96):  # straddles a chunk and a cell
        worst[border - 24 : border + 24] = np.sign(kernel) * 0.9
    rising = generator.uniform(-1, 1, frames) * n / frames
    return {
        "quarter rate, 45 degrees": np.sin(np.pi / 2 * n + np.pi / 4),
        "third of the rate": np.sin(2 * np.pi / 3 * n + 0.3),
        "sixth of the rate": np.sin(np.pi / 3 * n + np.pi / 3),
        "close to half the rate": np.sin(0.98 * np.pi * n),
        "half the rate": (-1.0) ** n,
        "clipped square": np.sign(np.sin(n / 7.3)),
        "random signs": np.sign(generator.uniform(-1, 1, frames)),
        "worst case for the kernel": worst,
        "ramp": n / frames,
        "rising noise": rising,
        "falling noise": rising[::-1],
        "smooth": np.sin(n / 500) * np.sin(n / 30_000),
        "silence": np.zeros(frames),
        "impulse at the very end": np.where(n == frames - 1, 0.5, 0.0),
        "full scale from the start": np.where(n < 40, 1.0, 0.0),
    }


@pytest.mark.parametrize("name", FILTERS)
@pytest.mark.parametrize("dtype", [np.float32, np.float64])
@pytest.mark.parametrize("signal", _adversaries())
def test_equals_exhaustive_on_adversaries(signal: str, dtype: type, name: TruePeakFilter) -> None:
    samples = _adversaries()[signal][None, :].astype(dtype)
    bounded = _peak(samples, name, 48_000, exhaustive=False)
    assert bounded.peak == _peak(samples, name, 48_000, exhaustive=True).peak
    assert bounded.peak >= np.abs(samples).max()


@settings(max_examples=120, deadline=None)
@given(
    seed=st.integers(0, 2**32 - 1),
    frames=st.integers(1, 4_000),
    channels=st.integers(1, 3),
    name=st.sampled_from(FILTERS),
    rate_hz=st.sampled_from([44_100, 96_000, 192_000]),
    roughness=st.integers(0, 2),
)
def test_equals_exhaustive_on_noise(
    seed: int, frames: int, channels: int, name: TruePeakFilter, rate_hz: int, roughness: int
) -> None:
    generator = np.random.default_rng(seed)
    samples = generator.standard_normal((channels, frames)) * generator.uniform(0, 1, frames) ** 4
    for _ in range(roughness):
        samples = np.cumsum(samples, axis=1)
    samples = (samples / np.abs(samples).max()).astype(np.float32)
    bounded = _peak(samples, name, rate_hz, exhaustive=False)
    assert bounded.peak == _peak(samples, name, rate_hz, exhaustive=True).peak


def test_reads_few_cells_of_music() -> None:
    """The point of the bounds: on a tone with overtones, under 2 % of the cells are read."""
    samples = signals.pluck(peak_dbfs=-3, seconds=20).astype(np.float32)
    few, all_ = (_peak(samples, "long", 48_000, exhaustive) for exhaustive in (False, True))
    assert few.cells_read < 0.02 * all_.cells_read


def test_reads_the_edges_of_the_file() -> None:
    """Zeros lie outside: a file cut at full scale rings there, as it will in any converter."""
    samples = np.sign(np.sin(2 * np.pi * 0.23 * np.arange(600) + 0.1))[None, :] * 0.5
    padded = np.pad(samples, ((0, 0), (200, 200)))
    alone, inside = (measure(sound, bits=None).level.true_peak_dbtp for sound in (samples, padded))
    assert alone == pytest.approx(inside, abs=1e-9)


@pytest.mark.parametrize("place", [0, 1, 17, CHUNK_FRAMES - 1, CHUNK_FRAMES, CHUNK_FRAMES + 99])
def test_finds_an_intersample_peak_anywhere(place: int) -> None:
    """Two equal samples of a band-limited pulse between them: 4/pi, by sinc at half a sample."""
    samples = np.zeros((2, CHUNK_FRAMES + 101))
    samples[1, place : place + 2] = 0.5
    level = measure(samples, bits=None).level
    assert 10 ** (level.true_peak_dbtp / 20) == pytest.approx(0.5 * 4 / np.pi, rel=0.005)


@pytest.mark.parametrize("name", FILTERS)
def test_names_the_filter(name: TruePeakFilter) -> None:
    sound = measure(
        signals.sine(997, peak_dbfs=-6, seconds=0.2),
        settings=measure_settings(true_peak_filter=name),
    )
    assert sound.level.true_peak_filter == name
    assert sound.level.true_peak_dbtp >= sound.level.sample_peak_dbfs
    assert sound.level.true_peak_dbtp == pytest.approx(-6.0, abs=0.1)
