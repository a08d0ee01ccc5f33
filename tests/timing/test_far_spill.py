"""Where a take begins in a mix that leaks into it, with nothing else to go by."""

from __future__ import annotations

import numpy as np
import pytest

from stemprep.timing.far_spill import RATE_HZ, find_far


def noise(seed: int, seconds: float) -> np.ndarray:
    """Hiss whose level moves, so that no two places are alike."""
    generator = np.random.default_rng(seed)
    sound = generator.normal(size=round(seconds * RATE_HZ))
    return np.asarray(0.1 * sound * np.abs(np.sin(np.arange(len(sound)) / 7_000)))


def sung(seconds: float) -> np.ndarray:
    """Five partials with some vibrato, as loud as the noise: spill shows between them."""
    time_s = np.arange(round(seconds * RATE_HZ)) / RATE_HZ
    phase = 2 * np.pi * 220 * time_s + 0.3 * np.sin(2 * np.pi * 5 * time_s)
    return np.asarray(sum(0.06 * np.sin(part * phase) / part for part in range(1, 6)))


@pytest.mark.parametrize("start", [0, 30_001, 96_000, -24_000])
def test_spill_34_db_down_is_found_wherever_it_is(start: int) -> None:
    mix, frames = noise(1, 20), 8 * RATE_HZ
    track = np.zeros(frames)
    first, last = max(0, start), min(len(mix), start + frames)
    track[first - start : last - start] = mix[first:last]
    track = 10 ** (-34 / 20) * track + sung(8)
    found = find_far(track.astype(np.float32), mix.astype(np.float32))
    assert found is not None
    assert found.start_s * RATE_HZ == pytest.approx(start, abs=1)


def test_a_take_without_spill_tells_nothing() -> None:
    for seed in range(3, 13):
        assert find_far(noise(seed, 8).astype(np.float32), noise(1, 20).astype(np.float32)) is None


def test_silence_tells_nothing() -> None:
    assert find_far(np.zeros(1_000, np.float32), noise(1, 2).astype(np.float32)) is None
