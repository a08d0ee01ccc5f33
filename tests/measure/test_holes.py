"""Holes of digital zero: found to the sample, and what only looks like one."""

from __future__ import annotations

import numpy as np
import pytest

from stemprep.dsp.cells import CHUNK_FRAMES
from stemprep.model.facts import TransientFacts
from tests import signals
from tests.measure.feed import measure

RATE_HZ = 48_000


def found(samples: signals.Planar, **more: int) -> TransientFacts:
    return measure(samples, **more).transients


def tone(seconds: float = 2.0, peak_dbfs: float = -12) -> signals.Planar:
    return signals.sine(233.1, peak_dbfs=peak_dbfs, seconds=seconds, phase_degrees=40)


@pytest.mark.parametrize("length", [64, 65, 512, 4_800, 20_000])
@pytest.mark.parametrize("start", [1_000, 1_024, CHUNK_FRAMES - 30, CHUNK_FRAMES, CHUNK_FRAMES + 1])
def test_a_hole_to_the_sample(start: int, length: int) -> None:
    samples = tone()
    samples[0, start : start + length] = 0
    assert found(samples).holes.runs == ((1, start, start + length),)


@pytest.mark.parametrize("block_frames", [997, 65_536])
def test_holes_do_not_depend_on_blocks(block_frames: int) -> None:
    samples = np.vstack([tone(), 0.7 * tone()])
    samples[1, 40_001:40_300] = 0
    samples[0, 32_760:32_900] = 0
    expected = ((1, 32_760, 32_900), (2, 40_001, 40_300))
    assert found(samples, block_frames=block_frames).holes.runs == expected


def test_shorter_than_the_shortest() -> None:
    samples = tone()
    samples[0, 10_001:10_064] = 0
    assert found(samples).holes.count == 0


@pytest.mark.parametrize(("peak_dbfs", "count"), [(-48, 1), (-52, 0)])
def test_quiet_sound_is_not_judged(peak_dbfs: float, count: int) -> None:
    """Common practice, no source: -50 dBFS right beside the hole."""
    samples = signals.noise(peak_dbfs=peak_dbfs, seconds=2)
    samples[0, 10_000:10_500] = 0
    assert found(samples).holes.count == count


@pytest.mark.parametrize(("gain_db", "count"), [(-10, 1), (-14, 0)])
def test_another_level_behind_is_another_sound(gain_db: float, count: int) -> None:
    samples = signals.noise(peak_dbfs=-6, seconds=2)
    samples[0, 10_500:] *= 10 ** (gain_db / 20)
    samples[0, 10_000:10_500] = 0
    assert found(samples).holes.count == count


def test_head_and_tail_are_no_holes() -> None:
    samples = tone()
    samples[0, :5_003] = samples[0, -7_001:] = 0
    assert found(samples).holes.count == 0


def test_an_edit_at_zero_crossings() -> None:
    samples = tone()
    signs = np.flatnonzero(np.diff(np.sign(samples[0])) != 0) + 1
    start, end = signs[60], signs[70]
    samples[0, start:end] = 0
    assert found(samples).holes.count == 0
    samples[0, start : end + 60] = 0  # one edge now lies within the wave
    assert found(samples).holes.count == 1


def test_a_gate_with_ramps() -> None:
    samples = signals.noise(peak_dbfs=-12, seconds=2)
    gain = np.ones(samples.shape[1])
    gain[20_000:23_000] = 0
    samples *= np.convolve(gain, np.ones(48) / 48, mode="same")
    assert found(samples).holes.count == 0


def test_a_gate_at_a_threshold() -> None:
    wave = signals.sine(61, peak_dbfs=-12, seconds=2)
    samples = np.where(np.abs(wave) < 0.1, 0.0, wave)
    facts = found(samples)
    assert facts.holes.count == facts.regular_holes.count == 0


def test_evenly_chopped_sound_is_told_apart() -> None:
    samples = tone(4)
    for start in range(6_000, 180_000, 12_000):
        samples[0, start : start + 3_000] = 0
    facts = found(samples)
    assert (facts.holes.count, facts.regular_holes.count) == (0, 15)


def test_holes_at_random_are_not_even() -> None:
    samples = signals.noise(peak_dbfs=-12, seconds=4)
    starts = np.cumsum(np.random.default_rng(3).integers(5_000, 20_000, 12))
    for start in starts:
        samples[0, start : start + 256] = 0
    facts = found(samples)
    assert (facts.holes.count, facts.regular_holes.count) == (12, 0)
