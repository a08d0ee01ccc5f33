"""A short fade where a cut met sound."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace

import numpy as np

from stemprep.model.plan import Operation
from stemprep.prepare.stream import Planar, Stream, whole_number


def edge_fade(stream: Stream, step: Operation) -> Stream:
    """Fade in over the first ``head_samples`` and out over the last ``tail_samples``.

    Raised cosine, half a sample inside its ends, so that neither zero nor one is repeated.
    """
    head = min(whole_number(step, "head_samples", 0), stream.frames)
    tail = min(whole_number(step, "tail_samples", 0), stream.frames)
    if head == tail == 0:
        return stream
    return replace(stream, bit_depth=None, blocks=_faded(stream, head, tail))


def _faded(stream: Stream, head: int, tail: int) -> Iterator[Planar]:
    position = 0
    for block in stream.blocks:
        frames = block.shape[1]
        if position < head or position + frames > stream.frames - tail:
            at = np.arange(position, position + frames)
            block = block * _ramp(at, head) * _ramp(stream.frames - 1 - at, tail)  # noqa: PLW2901
        yield block
        position += frames


def _ramp(distance: np.ndarray[tuple[int], np.dtype[np.int64]], length: int) -> Planar:
    """Gain at so many samples from the edge."""
    if length == 0:
        return np.ones(len(distance))
    share = np.minimum((distance + 0.5) / length, 1.0)
    return np.asarray(0.5 - 0.5 * np.cos(np.pi * share))
