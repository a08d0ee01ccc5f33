"""Small outputs and sources for the tests of rendering."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import replace

import numpy as np
import numpy.typing as npt

from stemprep.dsp.block import SoundBlock
from stemprep.model.header import AudioFormat
from stemprep.model.plan import Operation, OutputPlan
from stemprep.prepare import Source, render

Planar = npt.NDArray[np.float64]
Codes = npt.NDArray[np.int32]


def form(
    bits: int = 24, *, rate_hz: int = 48_000, channels: int = 1, is_float: bool = False
) -> AudioFormat:
    return AudioFormat(
        container="WAV",
        encoding="float" if is_float else "integer",
        sample_rate_hz=rate_hz,
        channels=channels,
        bit_depth=bits,
        container_bits=-(-bits // 8) * 8,
    )


def codes_of(samples: Planar, bits: int) -> Codes:
    """Round samples to words, left-justified, interleaved."""
    steps = 2.0 ** (bits - 1)
    words = np.clip(np.rint(samples * steps), -steps, steps - 1).astype(np.int64)
    return np.ascontiguousarray((words << (32 - bits)).astype(np.int32).T)


def source(
    samples: Planar,
    source_form: AudioFormat,
    *,
    sizes: Sequence[int] = (4096,),
    audio_sha256: str = "ab" * 32,
) -> Source:
    """Make a source that hands out its samples in blocks of the given sizes, over and over."""
    return Source(
        format=source_form,
        audio_sha256=audio_sha256,
        frames=samples.shape[1],
        blocks=_blocks(samples, source_form, sizes),
    )


def _blocks(
    samples: Planar, source_form: AudioFormat, sizes: Sequence[int]
) -> Iterator[SoundBlock]:
    start = 0
    turn = 0
    while start < samples.shape[1]:
        piece = samples[:, start : start + sizes[turn % len(sizes)]]
        start += piece.shape[1]
        turn += 1
        if source_form.encoding == "float":
            yield SoundBlock(samples=piece, codes=None)
            continue
        codes = codes_of(piece, source_form.bit_depth)
        planar = codes.T / 2.0**31
        narrow = planar.astype(np.float32) if source_form.bit_depth <= 24 else planar
        yield SoundBlock(samples=narrow, codes=codes)


def step(name: str, **parameters: float | int | str | bool) -> Operation:
    return Operation(name=name, parameters=parameters)  # type: ignore[arg-type]


def output(
    operations: Sequence[Operation],
    output_form: AudioFormat,
    frames: int,
    *,
    sources: tuple[str, ...] = ("a.wav",),
    source_channels: tuple[int, ...] = (),
) -> OutputPlan:
    return OutputPlan(
        sources=sources,
        path="tracks/a.wav",
        role="track",
        song="",
        operations=tuple(operations),
        format=output_form,
        frames=frames,
        source_channels=source_channels,
    )


def rendered(plan: OutputPlan, *sources: Source) -> tuple[Planar, Codes | None]:
    """Join all blocks: samples (planar) and codes (interleaved; None for float)."""
    blocks = list(render(plan, sources))
    assert plan.format is not None
    empty = np.empty((plan.format.channels, 0))
    samples = np.concatenate([empty, *(block.samples for block in blocks)], axis=1)
    if plan.format.encoding == "float":
        assert all(block.codes is None for block in blocks)
        return samples, None
    codes = [block.codes for block in blocks if block.codes is not None]
    assert len(codes) == len(blocks)
    joined = np.concatenate([np.empty((0, plan.format.channels), np.int32), *codes])
    assert np.array_equal(joined.T / 2.0**31, samples)
    return samples, joined


def dithered(bits: int, *before: Operation) -> tuple[Operation, ...]:
    return (*before, step("convert-word-length", to_bits=bits, dither="tpdf"))


def other_rate(some_form: AudioFormat, rate_hz: int) -> AudioFormat:
    return replace(some_form, sample_rate_hz=rate_hz)
