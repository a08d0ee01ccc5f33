"""Frame headers of a FLAC stream, to know how much sound a file holds before it is decoded.

Source: RFC 9639, sections 9.1 (frame header) and 9.3 (frame footer).
"""

from __future__ import annotations

import re
from collections import deque
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Final

_BLOCK_SIZES: Final = {1: 192, **{n: 144 << n for n in range(2, 6)}}
_BLOCK_SIZES_256: Final = {n: 256 << (n - 8) for n in range(8, 16)}
_SAMPLE_SIZES: Final = {0: 0, 1: 8, 2: 12, 4: 16, 5: 20, 6: 24, 7: 32}
_RATE_BYTES: Final = {12: 1, 13: 2, 14: 2}
_INVALID_RATE: Final = 15
_STEREO_CODES: Final = range(8, 11)
MAX_HEADER_BYTES: Final = 16
_SYNC: Final = re.compile(b"\xff[\xf8\xf9]")
_MAX_HITS: Final = 10_000
"""Looked at from the end; true sound has one in 30,000 bytes besides its frames."""


@dataclass(frozen=True, slots=True, kw_only=True)
class StreamInfo:
    """STREAMINFO, RFC 9639 section 8.2; zeros stand for unknown except in the first group.

    total_frames: samples per channel, 0 where not stated; md5: 16 bytes, zeros where not stored.
    """

    min_block: int
    max_block: int
    sample_rate_hz: int
    channels: int
    bits: int
    max_frame_bytes: int
    total_frames: int
    md5: bytes


@dataclass(frozen=True, slots=True)
class FlacFrame:
    """One frame: where it starts in the bytes searched, its first sample and its length."""

    offset: int
    start_sample: int
    frames: int


def largest_frame_bytes(info: StreamInfo) -> int:
    """Bound of one frame's size: what the stream states, or verbatim samples of a whole block."""
    verbatim = info.max_block * info.channels * (info.bits + 1) // 8 + 8 * info.channels + 32
    return max(verbatim, info.max_frame_bytes)


def last_frame(content: bytes, info: StreamInfo) -> FlacFrame | None:
    """Find the last frame header in the bytes; chance hits are held off by CRC and STREAMINFO."""
    hits = deque((match.start() for match in _SYNC.finditer(content)), maxlen=_MAX_HITS)
    found = (frame_at(content, position, info) for position in reversed(hits))
    return next((frame for frame in found if frame is not None), None)


def frames_in(content: bytes, info: StreamInfo) -> Iterator[FlacFrame]:
    """All frame headers in the bytes, in order."""
    found = (frame_at(content, match.start(), info) for match in _SYNC.finditer(content))
    return (frame for frame in found if frame is not None)


def frame_at(content: bytes, position: int, info: StreamInfo) -> FlacFrame | None:
    """Read a frame header; None where the bytes are none of this stream."""
    head = content[position : position + MAX_HEADER_BYTES]
    if len(head) < 6 or _SYNC.match(head) is None or not _fits(head, info):
        return None
    number = _coded_number(head)
    if number is None:
        return None
    value, at = number
    size_code, rate_code = head[2] >> 4, head[2] & 15
    frames = _BLOCK_SIZES.get(size_code) or _BLOCK_SIZES_256.get(size_code, 0)
    if size_code in (6, 7):
        width = size_code - 5
        frames = int.from_bytes(head[at : at + width], "big") + 1
        at += width
    at += _RATE_BYTES.get(rate_code, 0)
    if not frames or at >= len(head) or _crc8(head[:at]) != head[at]:
        return None
    is_variable = head[1] & 1
    start = value if is_variable else value * info.max_block
    return FlacFrame(position, start, frames)


def is_whole_frame(content: bytes) -> bool:
    """Tell whether bytes from a frame's header on are one whole frame, by its CRC-16."""
    crc = 0
    for byte in content:
        crc = (crc << 8 & 0xFFFF) ^ _CRC16[crc >> 8 ^ byte]
    return crc == 0


def _fits(head: bytes, info: StreamInfo) -> bool:
    channel_code, bits = head[3] >> 4, _SAMPLE_SIZES.get(head[3] >> 1 & 7)
    channels = 2 if channel_code in _STEREO_CODES else channel_code + 1
    return (
        head[3] & 1 == 0
        and head[2] & 15 != _INVALID_RATE
        and channels == info.channels
        and bits in (0, info.bits)
    )


def _coded_number(head: bytes) -> tuple[int, int] | None:
    """Frame or sample number in the extended UTF-8 code, and the position behind it."""
    first = head[4]
    if first < 0x80:
        return first, 5
    length = 8 - (first ^ 0xFF).bit_length()
    following = head[5 : 4 + length]
    if not 2 <= length <= 7 or len(following) < length - 1:
        return None
    value = first & ((1 << (7 - length)) - 1) if length < 7 else 0
    for byte in following:
        if byte >> 6 != 2:
            return None
        value = value << 6 | byte & 0x3F
    return value, 4 + length


def _crc8(content: bytes) -> int:
    crc = 0
    for byte in content:
        crc = _CRC8[crc ^ byte]
    return crc


def _table(width: int, polynomial: int) -> tuple[int, ...]:
    top, mask = 1 << (width - 1), (1 << width) - 1
    table = []
    for byte in range(256):
        value = byte << (width - 8)
        for _ in range(8):
            value = (value << 1 ^ polynomial) & mask if value & top else value << 1 & mask
        table.append(value)
    return tuple(table)


_CRC8: Final = _table(8, 0x07)
_CRC16: Final = _table(16, 0x8005)
