"""What a mix bus, another rendering or a codec does to a mix."""

from __future__ import annotations

import io
from collections.abc import Sequence

import numpy as np
import soundfile

from tests.null_test.music import Planar

NOBODY = ("clean", "bus-gain", "compressor", "limiter", "equaliser", "re-rendered", "lossy")


def summed(stems: Sequence[Planar]) -> Planar:
    """Sum in stereo; mono stems go equally to both sides."""
    return np.asarray(np.sum([np.broadcast_to(stem, (2, stem.shape[1])) for stem in stems], axis=0))


def bus(
    generator: np.random.Generator, what: str, mix: Planar, stems: Sequence[Planar], rate_hz: int
) -> Planar:
    """What a mix bus, another rendering or a codec does to a mix."""
    if what == "bus-gain":
        return mix * 10 ** (generator.uniform(-6, 3) / 20)
    if what in ("compressor", "limiter"):
        return _compressed(mix, rate_hz, is_limiter=what == "limiter")
    if what == "equaliser":
        return _equalised(generator, mix, rate_hz)
    if what == "re-rendered":
        return summed([_rendered_anew(generator, stem, rate_hz) for stem in stems])
    if what == "lossy":
        return _through_codec(mix, rate_hz)
    return mix


def _compressed(mix: Planar, rate_hz: int, *, is_limiter: bool) -> Planar:
    level = np.abs(mix).max(axis=0)
    release = np.exp(-1 / (0.15 * rate_hz))
    size = 32
    held = np.empty(-(-len(level) // size))
    state = 0.0
    for index in range(len(held)):
        state = max(float(level[index * size : (index + 1) * size].max()), state * release**size)
        held[index] = state
    envelope = np.interp(np.arange(len(level)), np.arange(len(held)) * size, held)
    threshold, ratio = (0.25, 1e9) if is_limiter else (0.1, 3.0)
    over = np.maximum(envelope / threshold, 1.0)
    gain = over ** (1 / ratio - 1)
    return mix * gain


def _equalised(generator: np.random.Generator, mix: Planar, rate_hz: int) -> Planar:
    spectrum = np.fft.rfft(mix)
    frequency = np.fft.rfftfreq(mix.shape[1], 1 / rate_hz)
    centre, gain_db = generator.uniform(100, 6000), generator.choice((-3.0, -1.5, 1.5, 3.0))
    octaves = np.log2(np.maximum(frequency, 1) / centre)
    shelf = 1 / (1 + np.exp(-4 * octaves))
    return np.fft.irfft(spectrum * 10 ** (gain_db * shelf / 20), mix.shape[1])


def _rendered_anew(generator: np.random.Generator, stem: Planar, rate_hz: int) -> Planar:
    """The same part by an instrument that never repeats itself: delay and level drift."""
    time = np.arange(stem.shape[1])
    wobble = 8 * np.sin(
        2 * np.pi * generator.uniform(0.1, 0.9) * time / rate_hz + generator.uniform(0, 6)
    )
    level = 1 + 0.05 * np.sin(2 * np.pi * generator.uniform(0.2, 2) * time / rate_hz)
    return np.stack([np.interp(time + wobble, time, channel) for channel in stem]) * level


def _through_codec(mix: Planar, rate_hz: int) -> Planar:
    stream = io.BytesIO()
    soundfile.write(stream, mix.T, rate_hz, format="OGG", subtype="VORBIS")
    stream.seek(0)
    decoded = soundfile.read(stream, dtype="float64", always_2d=True)[0].T
    out = np.zeros_like(mix)
    count = min(out.shape[1], decoded.shape[1])
    out[:, :count] = decoded[:, :count]
    return out
