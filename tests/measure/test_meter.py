"""The meter as a whole: what a caller may rely on for any input."""

from __future__ import annotations

import dataclasses
import hashlib
import itertools
import math
import struct

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from stemprep.dsp.block import SoundBlock
from stemprep.dsp.cells import CHUNK_FRAMES
from stemprep.measure import SoundMeter
from stemprep.model.facts import Sound
from tests import signals
from tests.measure.feed import block_of, cut, measure, wav_format
from tests.shipped import measure_settings


def _eventful(frames: int, seed: int = 3) -> np.ndarray:
    """Stereo with clips at both levels, silences and a low note."""
    samples = signals.noise(peak_dbfs=3, seconds=frames / 48_000, channels=2, seed=seed)
    samples = np.clip(np.repeat(samples, 6, axis=1)[:, :frames], -0.7, 1.0)
    samples[:, 1_000:9_000] = 0
    samples[1] *= np.sin(np.arange(frames) / 3_000)
    samples[:, -300:] = 0
    return samples


@pytest.mark.parametrize("bits", [24, 32, None])
@settings(max_examples=8, deadline=None)
@given(sizes=st.lists(st.integers(1, 40_000), min_size=1, max_size=6))
def test_facts_do_not_depend_on_block_size(bits: int | None, sizes: list[int]) -> None:
    samples = _eventful(2 * CHUNK_FRAMES + 777)
    config = measure_settings(min_silent_stretch_s=0.1)
    expected = measure(samples, bits=bits, settings=config, block_frames=10**9)
    meter = SoundMeter(wav_format(channels=2, bits=bits), config)
    endless = itertools.cycle([*sizes, 9_001])
    for block in cut(block_of(samples, bits), endless):
        meter.add(block)
    assert meter.finish() == expected
    assert expected.clipping.full_scale.count > 10
    assert expected.silence.stretches


@pytest.mark.parametrize("bits", [24, None])
def test_caller_may_use_its_buffers_again(bits: int | None) -> None:
    """Decoders fill the same arrays for every block."""
    samples = _eventful(2 * CHUNK_FRAMES + 777)
    meter = SoundMeter(wav_format(channels=2, bits=bits), measure_settings())
    for block in cut(block_of(samples, bits), itertools.repeat(9_001)):
        lent = SoundBlock(block.samples.copy(), None if bits is None else block.codes.copy())
        meter.add(lent)
        lent.samples[:] = 0.77
        if lent.codes is not None:
            lent.codes[:] = 99
    assert meter.finish() == measure(samples, bits=bits)


@settings(max_examples=15, deadline=None)
@given(gain_db=st.floats(-40, 0), seed=st.integers(0, 1_000))
def test_gain_moves_every_level_alike(gain_db: float, seed: int) -> None:
    samples = signals.noise(peak_dbfs=-1, seconds=1, channels=2, seed=seed)
    before = measure(samples, bits=None)
    after = measure(samples * 10 ** (gain_db / 20), bits=None)
    assert before.loudness.loudness_lufs is not None
    assert before.loudness.max_momentary_lufs is not None
    moved = before.loudness.max_momentary_lufs + gain_db
    assert after.level.sample_peak_dbfs == pytest.approx(before.level.sample_peak_dbfs + gain_db)
    assert after.level.true_peak_dbtp == pytest.approx(before.level.true_peak_dbtp + gain_db)
    assert after.level.rms_dbfs == pytest.approx(before.level.rms_dbfs + gain_db)
    assert after.level.crest_factor_db == pytest.approx(before.level.crest_factor_db)
    assert after.loudness.max_momentary_lufs == pytest.approx(moved)


def _numbers(value: object) -> list[float]:
    if isinstance(value, dict):
        return [number for item in value.values() for number in _numbers(item)]
    if isinstance(value, tuple | list):
        return [number for item in value for number in _numbers(item)]
    return [value] if isinstance(value, float) else []


def _has_no_nan(sound: Sound) -> bool:
    return not any(math.isnan(number) for number in _numbers(dataclasses.asdict(sound)))


@pytest.mark.parametrize("channels", [1, 2, 6])
def test_no_frames(channels: int) -> None:
    sound = SoundMeter(wav_format(channels=channels), measure_settings()).finish()
    assert sound.frames == 0
    assert sound.level.sample_peak_dbfs == -math.inf
    assert sound.level.crest_factor_db is None
    assert sound.loudness.loudness_lufs is None
    assert sound.loudness.reason.startswith("shorter than 0.4 s")
    assert sound.silence.is_digital_silence
    assert sound.overview.minimum == ((),) * channels
    assert _has_no_nan(sound)


@pytest.mark.parametrize("frames", [1, 31, 32, 33, CHUNK_FRAMES, CHUNK_FRAMES + 1])
@pytest.mark.parametrize("bits", [16, None])
def test_short_files(frames: int, bits: int | None) -> None:
    sound = measure(np.full((1, frames), 0.5), bits=bits)
    assert sound.frames == frames
    assert sound.level.sample_peak_dbfs == pytest.approx(-6.0206, abs=1e-4)
    assert sound.level.rms_dbfs == pytest.approx(-6.0206, abs=1e-4)
    assert sound.level.dc_offset == pytest.approx((0.5,))
    assert sound.overview.minimum[0][-1] == 0.5
    assert _has_no_nan(sound)


@pytest.mark.parametrize("channels", [1, 2])
def test_digital_silence(channels: int) -> None:
    sound = measure(signals.silence(seconds=4, channels=channels))
    assert sound.level.sample_peak_dbfs == -math.inf
    assert sound.level.true_peak_dbtp == -math.inf
    assert sound.level.rms_dbfs == -math.inf
    assert sound.level.crest_factor_db is None
    assert sound.loudness.loudness_lufs is None
    assert sound.loudness.loudness_range_lu is None
    assert sound.loudness.max_momentary_lufs == -math.inf
    assert sound.loudness.max_short_term_lufs == -math.inf
    assert sound.loudness.reason == "nothing louder than the gate at -70 LUFS"
    assert sound.word.effective_bit_depth == 0
    assert sound.silence.leading_samples == sound.silence.trailing_samples == sound.frames
    assert _has_no_nan(sound)


def test_not_a_number_is_counted_and_leaves_the_rest_alone() -> None:
    clean = signals.pluck(peak_dbfs=-6, seconds=1, channels=2)
    clean[1, 9_000] = clean[0, 9_001] = clean[1, 40_000] = 0
    broken = clean.copy()
    broken[1, 9_000], broken[0, 9_001], broken[1, 40_000] = np.nan, np.inf, -np.inf
    expected, sound = measure(clean, bits=None), measure(broken, bits=None)
    assert sound.non_finite.count == 3
    assert (sound.non_finite.first_channel, sound.non_finite.first_sample) == (2, 9_000)
    for name in ("level", "loudness", "silence", "stereo", "overview"):
        assert getattr(sound, name) == getattr(expected, name)
    assert sound.word.effective_bit_depth is None
    assert sound.audio_sha256 != expected.audio_sha256


def test_all_nan() -> None:
    sound = measure(np.full((1, 50_000), np.nan), bits=None)
    assert sound.non_finite.count == 50_000
    assert sound.level.sample_peak_dbfs == -math.inf
    assert _has_no_nan(sound)


@pytest.mark.parametrize("value", [1e-40, 5e-324, 3e38, 1e99, 1e308])
def test_extreme_numbers_stay_finite(value: float) -> None:
    sound = measure(np.full((2, 40_000), value), bits=None)
    assert _has_no_nan(sound)
    assert sound.level.sample_peak_dbfs < math.inf
    assert sound.level.rms_dbfs < math.inf
    assert sound.non_finite.count == (80_000 if value > 1e100 else 0)


@pytest.mark.parametrize("rate_hz", [1, 50, 3_999, 4_000, 1_000_001, 4_294_967_295])
def test_absurd_rates(rate_hz: int) -> None:
    """A header may state any rate; only loudness has none outside 4 kHz to 1 MHz."""
    sound = measure(signals.noise(peak_dbfs=-6, seconds=0.5), rate_hz=rate_hz)
    assert _has_no_nan(sound)
    is_known = 4_000 <= rate_hz <= 1_000_000
    assert sound.loudness.reason == (
        "" if is_known else f"not defined at a sample rate of {rate_hz} Hz"
    )


def test_overview_covers_the_file_at_any_length() -> None:
    """A spike shows in the column of its time, after the columns have merged twice."""
    frames = 32 * 8_192 * 3 + 17
    samples = np.zeros((1, frames))
    samples[0, frames // 2] = 0.5
    samples[0, -1] = -0.25
    overview = measure(samples).overview
    assert len(overview.minimum[0]) == len(overview.maximum[0]) == 600
    assert overview.maximum[0].index(0.5) in (299, 300)
    assert overview.minimum[0][-1] == -0.25


def _hash(channels: int, payload: bytes) -> str:
    return hashlib.sha256(b"stemprep-audio-1 %d\n" % channels + payload).hexdigest()


def test_audio_hash_of_integers() -> None:
    """The contract: header line, then int32 little-endian, left-justified, interleaved."""
    samples = np.array([[0.5, -1.0, 0.0], [0.25, 1 - 2**-15, -(2**-15)]])
    words = [0x4000, 0x2000, -0x8000, 0x7FFF, 0, -1]
    expected = _hash(2, struct.pack("<6i", *(word << 16 for word in words)))
    for bits in (16, 24, 32, None):  # the same samples in any container are the same audio
        assert measure(samples, bits=bits).audio_sha256 == expected


def test_audio_hash_of_floats_after_the_first_sample_no_word_holds() -> None:
    samples = np.zeros((1, 40_000))
    samples[0, :2] = 0.5, -0.0
    samples[0, -1] = 2**-33
    expected = _hash(1, struct.pack("<40000d", *(samples[0] + 0.0)))
    assert measure(samples, bits=None).audio_sha256 == expected
    assert measure(-samples, bits=None).audio_sha256 != expected
    samples[0, 1] = 0.0
    assert measure(samples, bits=None).audio_sha256 == expected


def test_full_scale_plus_is_no_32_bit_code() -> None:
    samples = np.array([[1.0, 0.5]])
    expected = _hash(1, struct.pack("<2d", 1.0, 0.5))
    assert measure(samples, bits=None).audio_sha256 == expected
    assert measure(-samples, bits=None).audio_sha256 == _hash(
        1, struct.pack("<2i", -(2**31), -(2**30))
    )


@pytest.mark.parametrize(("used", "container"), [(16, 24), (20, 24), (24, 24), (8, 16), (24, 32)])
def test_effective_bits(used: int, container: int) -> None:
    samples = np.rint(signals.noise(peak_dbfs=-3, seconds=0.3) * 2 ** (used - 1)) / 2 ** (used - 1)
    assert measure(samples, bits=container).word.effective_bit_depth == used
    assert measure(samples, bits=None).word.effective_bit_depth == used


def test_floats_beyond_any_word_have_no_bit_depth() -> None:
    assert measure(signals.sine(997, peak_dbfs=-6, seconds=0.1), bits=None).word == (
        measure(np.array([[1 / 3]]), bits=None).word
    )
    assert measure(np.array([[1 / 3]]), bits=None).word.effective_bit_depth is None
