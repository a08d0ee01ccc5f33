"""Subtracting a constant offset, channel by channel."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace

import numpy as np

from stemprep.model.plan import Operation
from stemprep.prepare.silence import with_silence
from stemprep.prepare.stream import Planar, Stream, number


def remove_dc(stream: Stream, step: Operation) -> Stream:
    """Subtract ``offset_1``, ``offset_2``, ... (full scale = 1.0) outside digital silence."""
    offsets = np.array(
        [[number(step, f"offset_{channel + 1}")] for channel in range(stream.channels)]
    )
    return replace(stream, bit_depth=None, blocks=_subtract(stream, offsets))


def _subtract(stream: Stream, offsets: Planar) -> Iterator[Planar]:
    for block, mask in with_silence(stream.blocks, stream.channels):
        yield np.where(mask, block, block - offsets)
