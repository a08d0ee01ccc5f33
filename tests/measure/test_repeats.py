"""Buffers that were played twice, and copies that are music."""

from __future__ import annotations

import numpy as np
import pytest

from stemprep.demo import instruments
from tests import signals
from tests.measure.feed import measure

RATE_HZ = 48_000


def repeats(samples: signals.Planar, **more: int) -> tuple[tuple[int, int, int], ...]:
    return measure(samples, **more).transients.repeats.runs


def music() -> signals.Planar:
    tones = [signals.sine(f, peak_dbfs=-15, seconds=2) for f in (111.3, 347.9)]
    return np.asarray(sum(tones)) + signals.noise(peak_dbfs=-30, seconds=2)


@pytest.mark.parametrize("length", [512, 1_024, 4_096])
@pytest.mark.parametrize("start", [20_000, 32_000, 32_768])
def test_a_buffer_played_twice(start: int, length: int) -> None:
    samples = music()
    samples[0, start : start + length] = samples[0, start - length : start]
    assert repeats(samples) == ((1, start, start + length),)


def test_an_old_buffer_played_again() -> None:
    samples = music()
    samples[0, 40_000:41_024] = samples[0, 37_952:38_976]
    assert repeats(samples) == ((1, 40_000, 41_024),)


@pytest.mark.parametrize("block_frames", [1_000, 65_536])
def test_repeats_do_not_depend_on_blocks(block_frames: int) -> None:
    samples = music()
    samples[0, 32_300:33_324] = samples[0, 31_276:32_300]
    assert repeats(samples, block_frames=block_frames) == ((1, 32_300, 33_324),)


def test_nothing_comes_twice_in_sound() -> None:
    assert repeats(music()) == ()


@pytest.mark.parametrize("period", [100, 480, 1_200])
def test_a_steady_tone_repeats_its_period(period: int) -> None:
    one = np.random.default_rng(1).uniform(-0.5, 0.5, period)
    assert repeats(np.tile(one, 90_000 // period)[None, :]) == ()


def test_an_exact_loop_is_music() -> None:
    assert repeats(np.tile(music()[:, :24_000], (1, 4))) == ()


def test_one_hit_twice_is_music() -> None:
    hat = np.pad(0.5 * instruments.hat(RATE_HZ, 3)[:3_000], (0, 1_000))
    samples = np.pad(np.tile(hat, 2), (20_000, 20_000))[None, :]
    assert repeats(samples) == ()


def test_square_waves_and_silence() -> None:
    seconds = np.arange(96_000) / RATE_HZ
    assert repeats(0.5 * np.sign(np.sin(2 * np.pi * 55 * seconds))[None, :]) == ()
    assert repeats(signals.silence(seconds=2)) == ()
