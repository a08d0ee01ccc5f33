"""Feeds test signals and files to the meter as a decoder would."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import numpy as np
import soundfile

from stemprep.dsp.block import SoundBlock
from stemprep.measure import SoundMeter
from stemprep.model.facts import MeasureSettings, Sound
from stemprep.model.header import AudioFormat
from tests.shipped import measure_settings
from tests.signals import Planar

BLOCK_FRAMES = 65_536
WORD_BITS = {"PCM_U8": 8, "PCM_16": 16, "PCM_24": 24, "PCM_32": 32}


def wav_format(
    *, channels: int, rate_hz: int = 48_000, bits: int | None = 24, mask: int | None = None
) -> AudioFormat:
    """A WAV format; ``bits`` None is 32-bit float."""
    return AudioFormat(
        container="WAV",
        encoding="float" if bits is None else "integer",
        sample_rate_hz=rate_hz,
        channels=channels,
        bit_depth=bits or 32,
        container_bits=-(-(bits or 32) // 8) * 8,
        channel_mask=mask,
    )


def block_of(samples: Planar, bits: int | None = 24) -> SoundBlock:
    """Round to ``bits`` and clip as a converter does; None leaves the samples alone."""
    if bits is None:
        return SoundBlock(np.ascontiguousarray(samples, dtype=np.float64), None)
    step = 2.0 ** (bits - 1)
    codes = np.clip(np.rint(samples * step), -step, step - 1).astype(np.int64) << (32 - bits)
    return _integer_block(np.ascontiguousarray(codes.T.astype(np.int32)), bits)


def cut(block: SoundBlock, sizes: Iterator[int]) -> Iterator[SoundBlock]:
    """The same sound in blocks of the given sizes, the last of them for what remains."""
    start = 0
    while start < block.frames:
        end = start + next(sizes)
        codes = None if block.codes is None else block.codes[start:end]
        yield SoundBlock(block.samples[:, start:end], codes)
        start = end


def measure(
    samples: Planar,
    *,
    rate_hz: int = 48_000,
    bits: int | None = 24,
    mask: int | None = None,
    settings: MeasureSettings | None = None,
    block_frames: int = BLOCK_FRAMES,
) -> Sound:
    """Facts of a planar signal."""
    form = wav_format(channels=len(samples), rate_hz=rate_hz, bits=bits, mask=mask)
    meter = SoundMeter(form, settings or measure_settings())
    for block in cut(block_of(samples, bits), iter(lambda: block_frames, 0)):
        meter.add(block)
    return meter.finish()


def measure_file(path: Path, settings: MeasureSettings | None = None) -> Sound:
    """Facts of a file, decoded by the reference library."""
    info = soundfile.info(path)
    bits = WORD_BITS.get(info.subtype)
    form = wav_format(channels=info.channels, rate_hz=info.samplerate, bits=bits)
    meter = SoundMeter(form, settings or measure_settings())
    kind = "float64" if bits is None else "int32"
    for read in soundfile.blocks(path, BLOCK_FRAMES, dtype=kind, always_2d=True):
        floats = SoundBlock(np.ascontiguousarray(read.T), None)
        meter.add(floats if bits is None else _integer_block(read.copy(), bits))
    return meter.finish()


def _integer_block(codes: np.ndarray, bits: int) -> SoundBlock:
    scale = np.float32(2.0**-31) if bits <= 24 else np.float64(2.0**-31)
    return SoundBlock(np.ascontiguousarray(codes.T) * scale, codes)
