"""Frame headers of a FLAC stream, to know how much sound a file holds before it is decoded.

Source: RFC 9639, sections 9.1 (frame header) and 9.3 (frame footer).
"""

from __future__ import annotations

import re
from collections import deque
from collections.abc import Iterator
from dataclasses import dataclass, replace
from typing import Final

_BLOCK_SIZES: Final = {1: 192, **{n: 144 << n for n in range(2, 6)}}
_BLOCK_SIZES_256: Final = {n: 256 << (n - 8) for n in range(8, 16)}
_SAMPLE_SIZES: Final = {0: 0, 1: 8, 2: 12, 4: 16, 5: 20, 6: 24, 7: 32}
_RATE_BYTES: Final = {12: 1, 13: 2, 14: 2}
_RATE_UNITS_HZ: Final = {12: 1000, 13: 1, 14: 10}
_RATES_HZ: Final = (0, 88_200, 176_400, 192_000, 8_000, 16_000, 22_050, 24_000)
_RATES_HZ_8: Final = (32_000, 44_100, 48_000, 96_000)
_INVALID_RATE: Final = 15
_STEREO_CODES: Final = range(8, 11)
MAX_HEADER_BYTES: Final = 16
MIN_FRAME_BYTES: Final = 9
_SYNC: Final = re.compile(b"\xff[\xf8\xf9]")
_MAX_HITS: Final = 10_000
"""Looked at from the end; true sound has one in 30,000 bytes besides its frames."""


@dataclass(frozen=True, slots=True, kw_only=True)
class StreamInfo:
    """STREAMINFO, RFC 9639 section 8.2; zeros stand for unknown except in the first group.

    total_frames: samples per channel, 0 where not stated; md5: 16 bytes, zeros where not stored.
    samples_per_number: how many samples a frame's number counts: the block size of the frames
                  themselves, 1 where they are numbered by sample, 0 where no frame was looked at.
    """

    min_block: int
    max_block: int
    sample_rate_hz: int
    channels: int
    bits: int
    max_frame_bytes: int
    total_frames: int
    md5: bytes
    samples_per_number: int = 0


@dataclass(frozen=True, slots=True)
class FlacFrame:
    """One frame: where it starts in the bytes searched, its first sample and its length.

    rate_hz, bits: 0 where the frame leaves them to STREAMINFO; channels: always its own.
    """

    offset: int
    start_sample: int
    frames: int
    rate_hz: int = 0
    channels: int = 0
    bits: int = 0


def largest_frame_bytes(info: StreamInfo) -> int:
    """Bound of one frame's size: what the stream states, or verbatim samples of a whole block."""
    block = max(info.max_block, info.samples_per_number)
    verbatim = block * info.channels * (info.bits + 1) // 8 + 8 * info.channels + 32
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


def with_numbering(info: StreamInfo, content: bytes) -> StreamInfo:
    """Learn from the first frames how frames are numbered; content begins at the first.

    RFC 9639, 9.1.1 and 9.1.5: by frame, each of the same length, or by sample. Streams from before
    the bit that tells them apart (from memory: FLAC 1.2, 2007) number blocks of any length by
    sample without it.
    """
    first = _parsed(content, 0)
    if first is None:
        return info
    frames = (_parsed(content, match.start()) for match in _SYNC.finditer(content, 1))
    second = next((frame for frame in frames if frame and _is_alike(frame, first)), None)
    is_by_sample = first.is_by_sample or (
        second is not None and first.length > 1 and second.number == first.length
    )
    return replace(info, samples_per_number=1 if is_by_sample else first.length)


def form_of_frame(content: bytes) -> FlacFrame | None:
    """Header of the frame that the bytes begin with, whatever STREAMINFO says; None for none."""
    parsed = _parsed(content, 0)
    return None if parsed is None else parsed.placed(0, 1)


def frame_at(content: bytes, position: int, info: StreamInfo) -> FlacFrame | None:
    """Read a frame header; None where the bytes are none of this stream."""
    parsed = _parsed(content, position)
    if parsed is None or parsed.channels != info.channels or parsed.bits not in (0, info.bits):
        return None
    return parsed.placed(position, info.samples_per_number or info.max_block)


@dataclass(frozen=True, slots=True, kw_only=True)
class _Parsed:
    number: int
    is_by_sample: bool
    length: int
    rate_hz: int
    channels: int
    bits: int

    def placed(self, position: int, samples_per_number: int) -> FlacFrame:
        start = self.number * (1 if self.is_by_sample else samples_per_number)
        return FlacFrame(position, start, self.length, self.rate_hz, self.channels, self.bits)


def _is_alike(frame: _Parsed, first: _Parsed) -> bool:
    same = (first.rate_hz, first.channels, first.bits, first.is_by_sample)
    return (frame.rate_hz, frame.channels, frame.bits, frame.is_by_sample) == same


def _parsed(content: bytes, position: int) -> _Parsed | None:
    """A frame header as it stands, held by its CRC-8; None where the bytes are none."""
    head = content[position : position + MAX_HEADER_BYTES]
    if len(head) < 6 or _SYNC.match(head) is None or not _is_possible(head):
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
    rate_at, at = at, at + _RATE_BYTES.get(rate_code, 0)
    if not frames or at >= len(head) or _crc8(head[:at]) != head[at]:
        return None
    channel_code = head[3] >> 4
    return _Parsed(
        number=value,
        is_by_sample=bool(head[1] & 1),
        length=frames,
        rate_hz=_rate_hz(rate_code, head[rate_at:at]),
        channels=2 if channel_code in _STEREO_CODES else channel_code + 1,
        bits=_SAMPLE_SIZES[head[3] >> 1 & 7],
    )


def _rate_hz(code: int, stored: bytes) -> int:
    if code in _RATE_UNITS_HZ:
        return int.from_bytes(stored, "big") * _RATE_UNITS_HZ[code]
    return (*_RATES_HZ, *_RATES_HZ_8)[code]


def is_whole_frame(content: bytes) -> bool:
    """Tell whether bytes from a frame's header on are one whole frame, by its CRC-16."""
    crc = 0
    for byte in content:
        crc = (crc << 8 & 0xFFFF) ^ _CRC16[crc >> 8 ^ byte]
    return crc == 0


def _is_possible(head: bytes) -> bool:
    """Tell whether no field has a value that is reserved or forbidden."""
    return (
        head[3] & 1 == 0
        and head[2] & 15 != _INVALID_RATE
        and head[3] >> 4 < _STEREO_CODES.stop
        and head[3] >> 1 & 7 in _SAMPLE_SIZES
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


def whole_frame_bytes(content: bytes) -> int | None:
    """Bytes of the whole frame that the bytes begin with; None where there is no such frame.

    Found by its CRC-16 alone, so what follows may make it seem longer by chance, once in 65,536.
    """
    crc, end = 0, None
    for position, byte in enumerate(content, 1):
        crc = (crc << 8 & 0xFFFF) ^ _CRC16[crc >> 8 ^ byte]
        if crc == 0 and position > MIN_FRAME_BYTES:
            end = position
    return end


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
