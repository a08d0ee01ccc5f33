"""Placing, trimming and padding: the same samples, seen through a shifted window."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace

import numpy as np

from stemprep.model.plan import Operation
from stemprep.prepare.stream import Planar, Stream, whole_number

_ZEROS_FRAMES = 65_536


def place(stream: Stream, step: Operation) -> Stream:
    """Shift by ``head_samples``: silence before the sound, or (negative) its head cut away."""
    return window(stream, head=whole_number(step, "head_samples"), tail=0)


def trim(stream: Stream, step: Operation) -> Stream:
    """Cut ``head_samples`` at the start and ``tail_samples`` at the end."""
    head = whole_number(step, "head_samples", 0)
    return window(stream, head=-head, tail=-whole_number(step, "tail_samples", 0))


def pad(stream: Stream, step: Operation) -> Stream:
    """Add ``head_samples`` of digital silence at the start and ``tail_samples`` at the end."""
    head = whole_number(step, "head_samples", 0)
    return window(stream, head=head, tail=whole_number(step, "tail_samples", 0))


def window(stream: Stream, *, head: int, tail: int) -> Stream:
    """Lengthen (positive) or shorten (negative) a stream at either end; exact in every format."""
    frames = max(0, stream.frames + head + tail)
    return replace(stream, frames=frames, blocks=_window(stream, head, frames))


def _window(stream: Stream, head: int, frames: int) -> Iterator[Planar]:
    yield from _silence(stream.channels, min(max(0, head), frames))
    position = head  # of the next block on the new timeline
    for block in stream.blocks:
        kept = block[:, max(0, -position) : max(0, frames - position)]
        position += block.shape[1]
        if kept.shape[1]:
            yield kept
    yield from _silence(stream.channels, frames - max(0, position))


def _silence(channels: int, frames: int) -> Iterator[Planar]:
    while frames > 0:
        piece = min(frames, _ZEROS_FRAMES)
        yield np.zeros((channels, piece))
        frames -= piece
