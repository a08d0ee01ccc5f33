"""Silence at the edges and inside, to the sample."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from tests.measure.feed import measure
from tests.shipped import measure_settings

LOUD = 0.1
QUIET = 0.9e-4  # under the default threshold of -80 dBFS
RATE_HZ = 1_000  # 2 s are 2,000 samples


def _stretches(samples: np.ndarray, threshold: float, shortest: int) -> list[tuple[int, int]]:
    """Reference: looks at every sample."""
    sounding = np.flatnonzero(np.abs(samples).max(axis=0) > threshold)
    gaps = np.flatnonzero(np.diff(sounding) > shortest)
    return [(int(sounding[gap]) + 1, int(sounding[gap + 1])) for gap in gaps]


@settings(max_examples=60, deadline=None)
@given(
    spans=st.lists(st.tuples(st.integers(1, 400), st.integers(1, 9_000)), min_size=1, max_size=12),
    head=st.integers(0, 5_000),
    tail=st.integers(0, 5_000),
)
def test_edges_and_stretches(spans: list[tuple[int, int]], head: int, tail: int) -> None:
    parts = [np.full(head, QUIET)]
    for loud, quiet in spans:
        parts += [np.full(loud, LOUD), np.full(quiet, QUIET)]
    parts += [np.full(1, -LOUD), np.full(tail, -QUIET)]
    mono = np.concatenate(parts)
    samples = np.vstack([np.zeros_like(mono), mono])
    silence = measure(samples, rate_hz=RATE_HZ).silence
    assert silence.leading_samples == head
    assert silence.trailing_samples == tail
    assert list(silence.stretches) == _stretches(samples, 1e-4, 1_999)
    assert not silence.is_digital_silence


def test_a_sample_at_the_threshold_is_silent() -> None:
    config = measure_settings(silence_peak_dbfs=-6.020599913279624)  # 0.5
    silence = measure(np.array([[0.5, 0.51, -0.5, 0.5]]), settings=config).silence
    assert (silence.leading_samples, silence.trailing_samples) == (1, 2)


def test_quiet_file_is_silent_but_not_digital_silence() -> None:
    silence = measure(np.full((2, 1_000), QUIET)).silence
    assert silence.is_silent(1_000)
    assert not silence.is_digital_silence
    assert silence.threshold_dbfs == -80.0


def test_at_most_a_thousand_stretches() -> None:
    config = measure_settings(min_silent_stretch_s=0.1)
    samples = np.zeros((1, 150_000))
    samples[0, ::120] = LOUD
    assert len(measure(samples, rate_hz=RATE_HZ, settings=config).silence.stretches) == 1_000


@pytest.mark.parametrize("place", [0, 31, 32, 40_000, 99_999])
def test_one_sounding_sample(place: int) -> None:
    samples = np.zeros((1, 100_000))
    samples[0, place] = LOUD
    silence = measure(samples).silence
    assert silence.leading_samples == place
    assert silence.trailing_samples == 99_999 - place
    assert silence.stretches == ()


@pytest.mark.parametrize(("edge_dbfs", "head"), [(-70.0, 50_000), (-77.0, 0)])
def test_edges_have_a_level_of_their_own(edge_dbfs: float, head: int) -> None:
    """A tail of noise at -75 dBFS is sound by the one level and none by the other."""
    settings = measure_settings(silence_peak_dbfs=-90.0, edge_silence_dbfs=edge_dbfs)
    hiss = np.full((1, 50_000), 10 ** (-75 / 20))
    samples = np.concatenate([hiss, np.full((1, 100), 0.5), hiss[:, :40_000]], axis=1)
    silence = measure(samples, settings=settings).silence
    assert (silence.leading_samples, silence.trailing_samples) == (0, 0)
    assert silence.edge_threshold_dbfs == edge_dbfs
    assert silence.edge_leading_samples == head
    assert silence.edge_trailing_samples == (40_000 if head else 0)
