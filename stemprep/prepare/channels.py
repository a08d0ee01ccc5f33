"""Taking channels out, joining files and folding dual mono: no sample changes its value."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import replace

import numpy as np

from stemprep.errors import PrepareError
from stemprep.model.plan import Operation
from stemprep.prepare.stream import Planar, Stream, whole_number


def fold_mono(stream: Stream, step: Operation) -> Stream:
    """Keep one side, ``channel`` from 1."""
    return pick(stream, (whole_number(step, "channel"),))


def pick(stream: Stream, channels: Sequence[int]) -> Stream:
    """Take the named channels, from 1, in the named order."""
    if not all(1 <= channel <= stream.channels for channel in channels):
        raise PrepareError(
            f"{stream.name}: has {stream.channels} channels, the plan wants {tuple(channels)}"
        )
    rows = [channel - 1 for channel in channels]
    return replace(
        stream,
        origins=tuple(stream.origins[row] for row in rows),
        blocks=(block[rows] for block in stream.blocks),
    )


def join(streams: Sequence[Stream]) -> Stream:
    """Put the channels of several streams side by side; all of one rate, word and length."""
    first = streams[0]
    for other in streams[1:]:
        if (other.rate_hz, other.frames, other.bit_depth) != (
            first.rate_hz,
            first.frames,
            first.bit_depth,
        ):
            raise PrepareError(
                f"{other.name}: cannot be joined with {first.name}: rate, word length and length "
                "must be the same"
            )
    return replace(
        first,
        origins=tuple(origin for stream in streams for origin in stream.origins),
        blocks=_side_by_side(streams),
    )


def _side_by_side(streams: Sequence[Stream]) -> Iterator[Planar]:
    """Blocks of different lengths, cut to their shortest; every stream is read to its end."""
    waiting: list[Planar] = [np.empty((stream.channels, 0)) for stream in streams]
    while True:
        for index, stream in enumerate(streams):
            while waiting[index].shape[1] == 0:
                block = next(stream.blocks, None)
                if block is None:
                    break
                waiting[index] = block
        frames = min(piece.shape[1] for piece in waiting)
        if frames == 0:
            break
        yield np.concatenate([piece[:, :frames] for piece in waiting])
        waiting = [piece[:, frames:] for piece in waiting]
    for stream, left in zip(streams, waiting, strict=True):
        if left.shape[1]:
            raise PrepareError(f"{stream.name}: is longer than the files it is joined with")
