"""Sample rate conversion: soxr VHQ in float64, aligned with its input, of exact length.

The library takes its own filter delay out (measured in the tests: far below 1/100 sample) but
rounds the length; ours is rounded up, so that no sound is cut, from an input continued by silence.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import replace

import numpy as np

from stemprep.errors import PrepareError
from stemprep.model.plan import Operation
from stemprep.prepare.stream import Planar, Stream, whole_number
from stemprep.units import length_after_conversion

_CHUNK_FRAMES = 65_536  # one fixed chunk: the result may not depend on the reader's blocks


def convert_rate(stream: Stream, step: Operation) -> Stream:
    """Convert from ``from_hz`` to ``to_hz``; ``true_hz``: at which the samples run in truth.

    Where that is the wanted rate already, only the label was wrong and no sample is changed.
    """
    from_hz, to_hz = whole_number(step, "from_hz"), whole_number(step, "to_hz")
    stated = step.parameters.get("true_hz")
    true_hz = float(stated) if isinstance(stated, int | float) else from_hz
    if from_hz != stream.rate_hz:
        raise PrepareError(
            f"{stream.name}: runs at {stream.rate_hz} Hz, the plan converts from {from_hz} Hz"
        )
    if true_hz == to_hz:
        return replace(stream, rate_hz=to_hz)
    frames = length_after_conversion(stream.frames, true_hz, to_hz)
    return replace(
        stream,
        rate_hz=to_hz,
        frames=frames,
        bit_depth=None,
        blocks=_convert(stream, true_hz, to_hz, frames),
    )


def _convert(stream: Stream, from_hz: float, to_hz: int, frames: int) -> Iterator[Planar]:
    import soxr  # loaded where a rate is really converted

    resampler = soxr.ResampleStream(from_hz, to_hz, stream.channels, dtype="float64", quality="VHQ")
    left = frames
    for chunk, is_last in _chunks(_continued(stream, from_hz, to_hz)):
        interleaved = np.ascontiguousarray(chunk.T)
        done = resampler.resample_chunk(interleaved, last=is_last).reshape(-1, stream.channels)
        kept = done[:left]
        left -= len(kept)
        if len(kept):
            yield np.ascontiguousarray(kept.T)
    if left:
        raise PrepareError(f"{stream.name}: rate conversion gave {left} samples too few")


def _continued(stream: Stream, from_hz: float, to_hz: int) -> Iterator[Planar]:
    """Yield the blocks and as much silence as the last, rounded-up sample needs."""
    yield from stream.blocks
    yield np.zeros((stream.channels, 2 + math.ceil(2 * from_hz / to_hz)))


def _chunks(blocks: Iterator[Planar]) -> Iterator[tuple[Planar, bool]]:
    """Blocks of one fixed length, the last one marked."""
    waiting: list[Planar] = []
    frames = 0
    for block in blocks:
        waiting.append(block)
        frames += block.shape[1]
        if frames > _CHUNK_FRAMES:
            joined = np.concatenate(waiting, axis=1)
            whole = (frames - 1) // _CHUNK_FRAMES * _CHUNK_FRAMES  # something is left for the last
            for start in range(0, whole, _CHUNK_FRAMES):
                yield joined[:, start : start + _CHUNK_FRAMES], False
            waiting, frames = [joined[:, whole:]], frames - whole
    yield np.concatenate(waiting, axis=1), True
