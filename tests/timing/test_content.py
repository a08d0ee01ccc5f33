"""A signal that files share sample for sample."""

from __future__ import annotations

import numpy as np
import pytest

from stemprep.timing import content_lag, content_window_frames, shared_stretches, spectrum

RATE_HZ = 48_000


def clicks(lag: int = 0, seed: int = 1) -> np.ndarray:
    """Four clicks of a count-in, each a short burst of noise, so much later."""
    burst = np.random.default_rng(seed).normal(size=600) * np.exp(-np.arange(600) / 80) * 0.3
    sound = np.zeros(2 * RATE_HZ)
    for place in range(4):
        start = 6_000 + 12_000 * place + lag
        sound[start : start + 600] = burst
    return sound


def lag_of(first: np.ndarray, second: np.ndarray) -> float | None:
    frames = content_window_frames(RATE_HZ)
    spectra = [
        spectrum(np.array([s[a : a + frames] for a in (0, 30_000)])) for s in (first, second)
    ]
    peak = content_lag(spectra[0], spectra[1], RATE_HZ)
    return None if peak is None else peak.lag_samples


@pytest.mark.parametrize("lag", [0, 1, 512, -64, 4_096])
def test_the_offset_of_a_shared_signal(lag: int) -> None:
    assert lag_of(clicks(), 0.4 * clicks(lag)) == pytest.approx(lag, abs=0.01)


def test_a_part_over_it_does_not_hide_it() -> None:
    part = 0.002 * np.random.default_rng(5).normal(size=2 * RATE_HZ)
    assert lag_of(clicks(), clicks(512) + part) == pytest.approx(512, abs=0.05)


def test_other_sounds_in_the_same_rhythm_share_nothing() -> None:
    assert lag_of(clicks(seed=1), clicks(seed=2)) is None


def test_a_second_microphone_is_no_copy() -> None:
    """A fraction of a sample and the answer of a room: sound came through air."""
    sound = clicks()
    late = np.fft.irfft(
        np.fft.rfft(sound) * np.exp(-2j * np.pi * np.arange(RATE_HZ + 1) * 38.4 / (2 * RATE_HZ))
    )
    assert lag_of(sound, late) is None


def test_places_where_most_files_sound_come_first() -> None:
    """Within 12 dB of a file's own peak it sounds; the earlier of equals is a count-in."""
    pictures = [[0.5, 0.0, 0.9, 0.1], [0.0, 0.0, 0.3, 0.3], [0.1, 0.0, 0.1, 0.0]]
    assert shared_stretches(pictures, frames=4_000, apart=500) == (0, 2_000)
    assert shared_stretches([[0.0] * 4] * 3, frames=4_000, apart=500) == ()
