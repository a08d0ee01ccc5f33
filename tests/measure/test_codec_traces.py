"""Traces of codecs, made by encoders that nobody here wrote; AAC, of which no encoder comes with a
library, by its transform alone.
"""

from __future__ import annotations

import io
from collections.abc import Callable

import numpy as np
import pytest
import soundfile

from stemprep.dsp.codec_transforms import aac, mp3, opus, vorbis
from stemprep.model.facts import CodecTraceFacts
from tests.measure.feed import measure
from tests.signals import Planar

RATE_HZ = 48_000
SECONDS = 6


def music(rate_hz: int = RATE_HZ, seed: int = 1, seconds: int = SECONDS) -> Planar:
    """Chords of a plucked kind over a brush of noise: treble that fades, never quite still."""
    rng = np.random.default_rng(seed)
    total = 0.004 * rng.standard_normal(seconds * rate_hz)
    since = np.arange(rate_hz) / rate_hz
    for beat in range(seconds):
        root_hz = rng.choice([110.0, 146.8, 164.8, 220.0])
        for partial in range(1, 40):
            hz = root_hz * partial * (1 + 0.0004 * partial)
            fading = np.exp(-(2 + 0.05 * partial) * since) * 0.1 / partial**0.8
            tone = fading * np.minimum(1, 10 * since) * np.sin(2 * np.pi * hz * since + partial)
            total[beat * rate_hz : (beat + 1) * rate_hz] += tone
    return (total / np.abs(total).max() * 0.5)[None, :]


def through(samples: Planar, container: str, subtype: str, level: float, rate_hz: int) -> Planar:
    """The sound after an encoder and its decoder, as 24-bit values."""
    coded = io.BytesIO()
    with soundfile.SoundFile(
        coded,
        "w",
        rate_hz,
        len(samples),
        format=container,
        subtype=subtype,
        compression_level=level,
    ) as file:
        file.write(samples.T)
    coded.seek(0)
    decoded, _ = soundfile.read(coded, always_2d=True)
    return np.rint(decoded.T * 2**23) / 2**23


def through_mdct(samples: Planar, step: float) -> Planar:
    """The sound after AAC's long transform and one step of quantisation for all coefficients."""
    window = aac_window()
    places = np.arange(2048) + 0.5 + 512
    lines = np.arange(1024)[:, None] + 0.5
    basis = window * np.cos(np.pi / 1024 * places * lines) * np.sqrt(2 / 1024)
    padded = np.pad(samples[0], (1024, 2048))
    starts = range(0, len(padded) - 2048, 1024)
    coefficients = np.array([padded[start : start + 2048] for start in starts]) @ basis.T
    frames = (step * np.rint(coefficients / step)) @ basis
    total = np.zeros_like(padded)
    for start, frame in zip(starts, frames, strict=True):
        total[start : start + 2048] += frame
    return (np.rint(total * 2**23) / 2**23)[None, 1024 : 1024 + samples.shape[1]]


def aac_window() -> np.ndarray:
    """ISO/IEC 14496-3, 4.6.11.3.2, with alpha 4, summed up by hand."""
    kernel = np.i0(np.pi * 4 * np.sqrt(1 - (np.arange(1025) / 512 - 1) ** 2))
    half = np.sqrt(np.cumsum(kernel)[:-1] / kernel.sum())
    return np.concatenate([half, half[::-1]])


def trace_of(samples: Planar, rate_hz: int = RATE_HZ) -> CodecTraceFacts | None:
    return measure(samples, rate_hz=rate_hz).codec_trace


@pytest.mark.parametrize("seed", range(4))
@pytest.mark.parametrize("rate_hz", [44_100, 48_000])
def test_clean_sound_shows_no_trace(seed: int, rate_hz: int) -> None:
    assert trace_of(music(rate_hz, seed), rate_hz) is None


@pytest.mark.parametrize("rate_hz", [44_100, 48_000])
@pytest.mark.parametrize(
    ("container", "subtype", "level", "family", "frame"),
    [
        ("MP3", "MPEG_LAYER_III", 0.7, "MP3", 576),
        ("OGG", "VORBIS", 0.5, "Vorbis", 1024),
    ],
)
def test_a_codec_is_named_with_its_frames(
    container: str, subtype: str, level: float, family: str, frame: int, rate_hz: int
) -> None:
    trace = trace_of(through(music(rate_hz), container, subtype, level, rate_hz), rate_hz)
    assert trace is not None
    assert (trace.family, trace.frame_samples) == (family, frame)
    assert trace.zero_share > 1.6 * trace.typical_share
    assert 0.9 <= trace.confidence < 1
    assert trace.places


@pytest.mark.parametrize("cut", [0, 1, 1000])
def test_the_grid_of_aac_is_found_wherever_the_file_was_cut(cut: int) -> None:
    trace = trace_of(through_mdct(music(), 0.003)[:, cut:])
    assert trace is not None
    assert (trace.family, trace.frame_samples) == ("AAC", 1024)
    assert trace.offset_samples == -cut % 1024


def test_level_does_not_hide_it_and_the_word_may_be_shorter() -> None:
    lower = through_mdct(music(), 0.003) * 10 ** (-3 / 20)
    trace = trace_of(np.rint(lower * 2**15) / 2**15)
    assert trace is not None
    assert trace.family == "AAC"


def test_silence_and_short_files_show_nothing() -> None:
    assert trace_of(np.zeros((1, 5 * RATE_HZ))) is None
    assert trace_of(music()[:, :4000]) is None


def test_noise_and_tones_show_no_trace() -> None:
    rng = np.random.default_rng(3)
    time = np.arange(5 * RATE_HZ) / RATE_HZ
    assert trace_of(0.1 * rng.standard_normal((1, len(time)))) is None
    for hz in (46.875, 440.0, 1000.0, 9_000.0):
        assert trace_of(0.3 * np.sin(2 * np.pi * hz * time)[None, :]) is None
    assert trace_of(0.3 * np.sign(np.sin(2 * np.pi * 110 * time))[None, :]) is None


@pytest.mark.parametrize("make", [aac, vorbis, mp3, opus])
def test_a_filter_answers_to_its_own_frequency(make: Callable[[], object]) -> None:
    """Each coefficient stands for (line + 1/2) / hop of half the rate."""
    transform = make()
    spectra = np.abs(np.fft.rfft(transform.taps, 1 << 15))  # type: ignore[attr-defined]
    peaks = spectra.argmax(axis=1) / (1 << 14)
    assert np.all(np.diff(peaks) > 0)
    assert peaks[0] > 0.01
    assert peaks[-1] < 1
