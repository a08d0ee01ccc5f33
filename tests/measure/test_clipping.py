"""Full-scale runs and flat tops: found where they are, and nowhere else."""

from __future__ import annotations

import numpy as np
import pytest

from stemprep.dsp.cells import CHUNK_FRAMES
from tests import signals
from tests.measure.feed import block_of, measure
from tests.shipped import measure_settings


def _drums(gain_db: float, seconds: float = 3, channels: int = 1) -> np.ndarray:
    """Four noisy hits a second, as hot as the gain makes them."""
    hit = signals.pluck(peak_dbfs=0, seconds=0.25)
    return np.tile(hit, (channels, round(seconds * 4))) * 10 ** (gain_db / 20)


def _runs_at(samples: np.ndarray, level: float) -> list[tuple[int, int]]:
    """Reference: plain loop over samples at or beyond a level, split by polarity."""
    runs, start = [], 0
    marks = np.where(np.abs(samples) >= level, np.sign(samples), 0)
    for end in range(1, marks.size + 1):
        if end == marks.size or marks[end] != marks[start]:
            if marks[start] and end - start >= 3:
                runs.append((start, end))
            start = end
    return runs


@pytest.mark.parametrize("bits", [16, 20, 24, 32])
def test_runs_at_full_scale(bits: int) -> None:
    samples = _drums(9, channels=2)
    samples[1] = 0.5 * np.roll(samples[0], 77)
    step = 2.0 ** (1 - bits)
    codes = np.clip(np.rint(samples / step) * step, -1, 1 - step)
    expected = sorted(
        (start, channel, end)
        for channel, line in enumerate(codes, start=1)
        for start, end in _runs_at(line, 1 - step)
    )
    clipping = measure(samples, bits=bits).clipping
    assert clipping.full_scale.runs == tuple((c, start, end) for start, c, end in expected)
    assert clipping.full_scale.count == len(expected) > 20
    assert clipping.full_scale.samples == sum(end - start for start, _, end in expected)
    assert clipping.full_scale.longest == max(end - start for start, _, end in expected)
    assert not clipping.full_scale.is_capped
    assert clipping.flat_tops.count == 0


@pytest.mark.parametrize("level", [1 - 2.0**-23, -(1 - 2.0**-23), -1.0])
def test_largest_and_smallest_codes_count(level: float) -> None:
    samples = np.zeros((1, 1_000))
    samples[0, 500:503] = level
    sound = measure(samples)
    assert sound.clipping.full_scale.runs == ((1, 500, 503),)
    assert sound.level.samples_at_full_scale == 3


def test_single_full_scale_samples_are_no_clip() -> None:
    samples = signals.noise(peak_dbfs=0, seconds=1)
    samples[0, 1_000::97] = 1.0
    samples[0, 1_001::97] = 1.0
    sound = measure(samples)
    assert sound.level.samples_at_full_scale > 500
    assert sound.clipping.full_scale.count == 0


def test_a_run_over_chunks_is_one() -> None:
    samples = np.zeros((1, 3 * CHUNK_FRAMES))
    samples[0, CHUNK_FRAMES - 5 : 2 * CHUNK_FRAMES + 7] = 1.0
    clipping = measure(samples).clipping
    assert clipping.full_scale.runs == ((1, CHUNK_FRAMES - 5, 2 * CHUNK_FRAMES + 7),)
    assert clipping.full_scale.longest == CHUNK_FRAMES + 12


def test_runs_at_the_ends_of_the_file() -> None:
    samples = np.zeros((1, 1_000))
    samples[0, :4] = samples[0, -3:] = -1.0
    assert measure(samples).clipping.full_scale.runs == ((1, 0, 4), (1, 997, 1_000))


def test_more_runs_than_are_listed() -> None:
    samples = np.zeros((2, 90_000))
    samples.reshape(2, -1, 9)[:, :, :3] = 1.0
    full = measure(samples).clipping.full_scale
    assert (full.count, full.samples, full.is_capped) == (20_000, 60_000, True)
    assert len(full.runs) == 10_000
    assert full.runs[:3] == ((1, 0, 3), (2, 0, 3), (1, 9, 12))


def test_float_overs_are_no_clip() -> None:
    """A float file goes on above full scale: turned down, nothing is lost."""
    sound = measure(signals.sine(997, peak_dbfs=6, seconds=1), bits=None)
    assert sound.clipping.full_scale.count == 0
    assert sound.level.samples_over_full_scale > 10_000
    assert sound.level.samples_at_full_scale == sound.level.samples_over_full_scale


@pytest.mark.parametrize("level", [1.0, 1.5])
def test_float_plateaus_are_clips(level: float) -> None:
    samples = np.clip(signals.sine(997, peak_dbfs=9, seconds=1), -level, level)
    sound = measure(samples, bits=None)
    assert sound.clipping.full_scale.runs[:50] == tuple(
        (1, start, end) for start, end in _runs_at(samples[0], level)[:50]
    )
    assert sound.clipping.full_scale.count > 1_900
    assert sound.clipping.flat_tops.count == 0


@pytest.mark.parametrize("bits", [16, 24, None])
@pytest.mark.parametrize("gain_db", [-0.3, -1.0, -12.0])
def test_clipped_then_turned_down(bits: int | None, gain_db: float) -> None:
    clipped = np.clip(_drums(9, channels=2), -1, 1 - 2.0**-23)
    clipped[1] *= 0.8
    turned_down = clipped * 10 ** (gain_db / 20)
    clipping = measure(turned_down, bits=bits).clipping
    stored = block_of(turned_down, bits).samples
    expected = [_runs_at(line, min(line.max(), -line.min())) for line in stored]
    for channel in (1, 2):
        found = [(start, end) for at, start, end in clipping.flat_tops.runs if at == channel]
        assert found == expected[channel - 1]
    assert clipping.flat_tops.count == len(expected[0]) + len(expected[1])
    assert clipping.flat_top_dbfs == pytest.approx(gain_db, abs=0.001)
    assert clipping.full_scale.count == 0


@pytest.mark.parametrize("shift", range(-4, 5))
def test_flat_tops_at_the_border_of_chunks(shift: int) -> None:
    """Eight tops of four samples; the border falls before, inside and behind one of them."""
    wave = np.sin(2 * np.pi * (np.arange(2 * CHUNK_FRAMES) - CHUNK_FRAMES) / 4_000)
    samples = 0.2 * wave[None, :]
    places = CHUNK_FRAMES + shift + 2_000 * np.arange(-4, 4)
    for place in places:
        samples[0, place - 2 : place] = 0.3, 0.4
        samples[0, place : place + 4] = 0.5
        samples[0, place + 4 : place + 6] = 0.4, 0.3
    tops = measure(samples, bits=None).clipping.flat_tops
    assert tops.runs == tuple((1, place, place + 4) for place in places)


def _innocent() -> dict[str, tuple[np.ndarray, int | None]]:
    seconds = np.arange(96_000) / 48_000
    square = 0.5 * np.sign(np.sin(2 * np.pi * 110 * seconds + 0.1))
    saw = 2 * ((55 * seconds) % 1) - 1
    held = np.repeat(signals.noise(peak_dbfs=-3, seconds=0.5), 4, axis=1)
    coarse = np.repeat(np.rint(8 * np.sin(2 * np.pi * 50 * seconds[:24_000])) / 10, 4)
    note = np.sin(2 * np.pi * 30 * seconds)
    drum = 0.9 * np.sin(2 * np.pi * 45 * (seconds % 0.5)) * np.exp(-3 * (seconds % 0.5))

    def rounded(wave: np.ndarray, bits: int = 16) -> np.ndarray:
        return np.rint(wave * 2.0 ** (bits - 1)) / 2.0 ** (bits - 1)

    return {
        "a low note at 16 bit": (0.89 * note[None, :], 16),
        "a lower, quieter one": (0.3 * np.sin(2 * np.pi * 20 * seconds)[None, :], 16),
        "a low note at 8 bit": (0.5 * np.sin(2 * np.pi * 60 * seconds)[None, :], 8),
        "two notes at 16 bit": ((0.4 * note + 0.3 * np.roll(note, 700) ** 3)[None, :], 16),
        "square wave": (square[None, :], 24),
        "pulse wave": (np.where(saw > 0.6, 0.7, -0.3)[None, :], 24),
        "square wave in a decay": (square[None, :] * np.exp(-seconds), 24),
        "a 16-bit note turned down at 24": (0.7 * rounded(0.9 * note)[None, :], 24),
        "a 16-bit drum turned down at 24": (0.7 * rounded(drum)[None, :], 24),
        "an 8-bit note turned down at 24": (0.7 * rounded(0.9 * note, 8)[None, :], 24),
        "saw": (0.7 * saw[None, :], 16),
        "sample and hold": (held, 24),
        "crushed and held": (coarse[None, :], 24),
        "distorted, no plateau": (0.7 * np.tanh(8 * np.sin(400 * seconds))[None, :], 24),
        "click track": (np.where((seconds * 2) % 1 < 0.002, 0.8, 0.0)[None, :], 24),
        "noise at 16 bit": (signals.noise(peak_dbfs=-1, seconds=2), 16),
        "quiet noise": (signals.noise(peak_dbfs=-80, seconds=2), 16),
        "music": (_drums(-1), 16),
    }


@pytest.mark.parametrize("name", _innocent())
def test_what_looks_flat_but_is_no_clip(name: str) -> None:
    samples, bits = _innocent()[name]
    clipping = measure(samples, bits=bits).clipping
    assert clipping.flat_tops.count == 0
    assert clipping.flat_top_dbfs is None
    assert clipping.full_scale.count == 0


@pytest.mark.parametrize("frequency_hz", [30, 97.3, 997, 1_000])
@pytest.mark.parametrize("bits", [16, 24])
def test_clipped_tones(frequency_hz: float, bits: int) -> None:
    """Every top of a tone driven 0.8 dB over full scale, then turned down by 1 dB."""
    tone = np.clip(signals.sine(frequency_hz, peak_dbfs=0.83, seconds=2), -1, 1) * 0.89
    tops = measure(tone, bits=bits).clipping.flat_tops
    assert tops.count == pytest.approx(4 * frequency_hz, abs=2)


def test_flat_tops_below_the_floor_are_not_looked_for() -> None:
    quiet = np.clip(_drums(9), -1, 1) * 10 ** (-25 / 20)
    assert measure(quiet).clipping.flat_tops.count == 0
    lower = measure_settings(min_flat_top_dbfs=-30.0)
    assert measure(quiet, settings=lower).clipping.flat_tops.count > 20


@pytest.mark.parametrize("shortest", [2, 5])
def test_shortest_runs_are_settings(shortest: int) -> None:
    clipped = np.clip(_drums(9), -1, 1) * 0.8
    config = measure_settings(min_flat_top_samples=shortest, min_clip_run_samples=shortest)
    tops = measure(clipped, settings=config).clipping.flat_tops
    assert min(end - start for _, start, end in tops.runs) == shortest
    full = measure(clipped / 0.8, settings=config).clipping.full_scale
    assert min(end - start for _, start, end in full.runs) == shortest
