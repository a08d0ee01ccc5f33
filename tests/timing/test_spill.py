"""A late overdub by the mix in its headphones; another microphone of what is in the mix."""

from __future__ import annotations

from functools import lru_cache

import numpy as np
import pytest

from stemprep.timing import HOP_S, SpillLag, SpillMeter, block_frames

MIX_HZ = 48_000
SECONDS = 10


@lru_cache(maxsize=128)
def music(seed: int, attack: float = 1.0) -> np.ndarray:
    """Plucks at random times and pitches, with noisy attacks and a hiss floor."""
    generator = np.random.default_rng(seed)
    sound = 1e-5 * generator.normal(size=SECONDS * MIX_HZ)
    time_s = np.arange(MIX_HZ // 2) / MIX_HZ
    for _ in range(24):
        start, pitch_hz = generator.integers(0, len(sound) - MIX_HZ), generator.uniform(80, 900)
        wave = sum(np.sin(2 * np.pi * pitch_hz * part * time_s) / part for part in range(1, 6))
        noise = attack * generator.normal(size=len(time_s)) * np.exp(-time_s / 0.01)
        sound[start : start + len(time_s)] += 0.1 * (
            wave * np.exp(-6 * time_s) * np.minimum(1, time_s / 0.02) + noise
        )
    return sound


def at_44_100(sound: np.ndarray) -> np.ndarray:
    """The same sound at 44.1 kHz, exactly: its spectrum cut off at 22.05 kHz."""
    frames = len(sound) * 44_100 // MIX_HZ
    spectrum = np.fft.rfft(sound)[: frames // 2 + 1]
    return np.asarray(np.fft.irfft(spectrum, frames) * 44_100 / MIX_HZ)


def told(track: np.ndarray, mix: np.ndarray, track_hz: int = MIX_HZ) -> SpillLag:
    meter = SpillMeter(track_hz, MIX_HZ)
    lengths = block_frames(track_hz), block_frames(MIX_HZ)
    for hop in range(int(SECONDS / HOP_S) - 1):
        starts = int(hop * HOP_S * track_hz), int(hop * HOP_S * MIX_HZ)
        meter.add(
            track[starts[0] : starts[0] + lengths[0]], mix[starts[1] : starts[1] + lengths[1]]
        )
    return meter.finish()


def leaking(seed: int, lag: int, level_db: float) -> tuple[np.ndarray, np.ndarray]:
    """A sung take that has nothing to do with the mix, and the mix so much later under it."""
    mix = music(seed)
    mix = mix + 0.02 * np.random.default_rng(seed).normal(size=len(mix))
    take = music(seed + 50, attack=0.0)
    level = 10 ** (level_db / 20) * np.sqrt(np.mean(take**2) / np.mean(mix**2))
    return take + level * np.roll(mix, lag), mix


@pytest.mark.parametrize("lag", [0, 1_200, -480, 7_000])
def test_spill_34_db_down_tells_the_lag_to_a_sample(lag: int) -> None:
    track, mix = leaking(1, lag, -34.0)
    found = told(track, mix)
    assert found.kind == "spill"
    assert found.peak is not None
    assert found.peak.lag_samples == pytest.approx(lag, abs=1.0)


def test_another_sample_rate_needs_no_conversion() -> None:
    """1.28 s are 56,448 samples at 44.1 kHz and 61,440 at 48 kHz: the same frequencies."""
    assert (block_frames(44_100), block_frames(48_000)) == (56_448, 61_440)
    track, mix = leaking(3, 1_200, -34.0)
    found = told(at_44_100(track), mix, 44_100)
    assert found.kind == "spill"
    assert found.peak is not None
    assert found.peak.lag_samples == pytest.approx(1_200 * 44_100 / 48_000, abs=1.0)


def test_fifty_tracks_without_spill_tell_nothing() -> None:
    for seed in range(1, 51):
        assert told(music(seed), music(0)).kind == "none"


@pytest.mark.parametrize("lag", [0, 44, 311])
def test_another_microphone_of_what_is_in_the_mix_is_not_late(lag: int) -> None:
    source, rest = music(4), music(5)
    mix = source + rest
    room = np.random.default_rng(4).normal(size=400) * np.exp(-np.arange(400) / 60) * 0.1
    room[0] = 1.0
    found = told(np.roll(np.convolve(source, room)[: len(source)], lag), mix)
    assert found.kind == "same-source"
    assert found.shared > 0.3


def test_silence_and_short_tracks_tell_nothing() -> None:
    mix = music(1)
    assert told(np.zeros_like(mix), mix).kind == "none"
    meter = SpillMeter(MIX_HZ, MIX_HZ)
    meter.add(mix[: block_frames(MIX_HZ)], mix[: block_frames(MIX_HZ)])
    assert meter.finish().kind == "none"


def test_a_rate_without_whole_blocks_is_refused() -> None:
    with pytest.raises(ValueError, match="37801 Hz"):
        block_frames(37_801)
