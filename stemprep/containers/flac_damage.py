"""Where a FLAC stream is damaged: the library tells that it is, not where."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from typing import BinaryIO, Final

from stemprep.containers.flac_frames import (
    MAX_HEADER_BYTES,
    FlacFrame,
    StreamInfo,
    frames_in,
    is_whole_frame,
    largest_frame_bytes,
)
from stemprep.containers.id3 import without_old_tag
from stemprep.containers.riff_chunks import read_at

_PIECE_BYTES: Final = 1 << 20
_OLD_TAG_BYTES: Final = 128


def first_broken_sample(
    stream: BinaryIO, start: int, end: int, info: StreamInfo, from_sample: int
) -> int:
    """First sample of the first block that is not whole, at or behind ``from_sample``.

    start, end: the bytes of the sound. A block whose successor has lost its header counts as
    broken itself: what lies before the sample returned is good, that is sure. ``from_sample``
    where every block is whole.
    """
    tail = read_at(stream, max(start, end - _OLD_TAG_BYTES), _OLD_TAG_BYTES)
    end -= len(tail) - len(without_old_tag(tail))
    current: FlacFrame | None = None
    for frame in _chain(stream, start, end, info):
        if current is None and frame.start_sample > 0:
            return 0
        if current is not None and _is_broken(stream, current, frame, info, from_sample):
            return current.start_sample
        current = frame
    if current is None:
        return 0
    behind = FlacFrame(end, current.start_sample + current.frames, 0)
    is_broken = _is_broken(stream, current, behind, info, from_sample)
    return current.start_sample if is_broken else behind.start_sample


def _is_broken(
    stream: BinaryIO, frame: FlacFrame, following: FlacFrame, info: StreamInfo, from_sample: int
) -> bool:
    """Judge a block by where the next one starts; those before ``from_sample`` are known good."""
    behind = frame.start_sample + frame.frames
    if behind <= from_sample:
        return False
    size = following.offset - frame.offset
    if following.start_sample != behind or size > largest_frame_bytes(info):
        return True
    return not is_whole_frame(read_at(stream, frame.offset, size))


def _chain(stream: BinaryIO, start: int, end: int, info: StreamInfo) -> Iterator[FlacFrame]:
    """Frame headers in file order with rising sample numbers, offsets counted in the file."""
    least = 0
    for position in range(start, end, _PIECE_BYTES):
        size = min(_PIECE_BYTES + MAX_HEADER_BYTES, end - position)
        for frame in frames_in(read_at(stream, position, size), info):
            if frame.start_sample >= least and frame.offset < _PIECE_BYTES:
                least = frame.start_sample + frame.frames
                yield replace(frame, offset=position + frame.offset)
