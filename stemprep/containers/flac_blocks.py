"""The metadata blocks of a FLAC file. Source: RFC 9639, section 8."""

from __future__ import annotations

import struct
from collections.abc import Iterator
from dataclasses import dataclass, field
from typing import BinaryIO, Final

from stemprep.containers import faults
from stemprep.containers.flac_frames import StreamInfo
from stemprep.containers.id3 import id3_bytes
from stemprep.containers.markers import plain_text
from stemprep.containers.riff_chunks import read_at
from stemprep.model.header import Chunk, HeaderFault

_STREAMINFO, _PADDING, _SEEKTABLE, _COMMENT = 0, 1, 3, 4
_NAMES: Final = {
    0: "STREAMINFO",
    1: "PADDING",
    2: "APPLICATION",
    3: "SEEKTABLE",
    4: "VORBIS_COMMENT",
    5: "CUESHEET",
    6: "PICTURE",
}
_STRUCTURE: Final = frozenset({_STREAMINFO, _PADDING, _SEEKTABLE})
_STREAMINFO_BYTES: Final = 34
_MAX_COMMENT_BYTES: Final = 1_000_000


@dataclass(slots=True)
class FlacBlocks:
    """What stands in front of the sound: start of the stream, of the sound, metadata, faults."""

    start: int
    sound_offset: int = 0
    info: StreamInfo | None = None
    chunks: list[Chunk] = field(default_factory=list)
    comments: tuple[tuple[str, str], ...] = ()
    faults: list[HeaderFault] = field(default_factory=list)


def read_flac_blocks(stream: BinaryIO, size_bytes: int) -> FlacBlocks:
    """Walk over the metadata blocks; info is None with a fault where sound cannot follow."""
    start = id3_bytes(stream)
    blocks = FlacBlocks(start)
    if start:
        found = f"an ID3 tag of {start} bytes in front of the FLAC stream"
        message = f"{found}: some programs do not open such a file"
        blocks.faults.append(faults.repairable("id3-in-front", found, "'fLaC' first", message))
    position, is_last, count = start + 4, False, 0
    while not is_last:
        head = read_at(stream, position, 4)
        count += 1
        size = int.from_bytes(head[1:], "big")
        if len(head) < 4 or position + 4 + size > size_bytes or count > faults.MAX_CHUNKS:
            _tell_lost(blocks, position)
            return blocks
        is_last = bool(head[0] & 0x80)
        _enter(stream, blocks, head[0] & 0x7F, position + 4, size)
        position += 4 + size
    blocks.sound_offset = position
    if blocks.info is None and not blocks.faults:
        told = faults.impossible("streaminfo", "nothing of the sound's format", "STREAMINFO first")
        blocks.faults.append(told)
    return blocks


def _tell_lost(blocks: FlacBlocks, position: int) -> None:
    found = f"metadata from byte {position} on that the file does not hold"
    blocks.info = None
    blocks.faults.append(faults.impossible("block-size", found, "a chain of whole blocks"))


def _enter(stream: BinaryIO, blocks: FlacBlocks, kind: int, offset: int, size: int) -> None:
    if kind == _STREAMINFO and blocks.info is None and size >= _STREAMINFO_BYTES:
        blocks.info = _stream_info(read_at(stream, offset, _STREAMINFO_BYTES))
    elif kind == _COMMENT and not blocks.comments:
        blocks.comments = tuple(_comments(read_at(stream, offset, min(size, _MAX_COMMENT_BYTES))))
    if kind not in _STRUCTURE:
        name = _NAMES.get(kind, f"block {kind}")
        blocks.chunks.append(Chunk(identifier=name, offset_bytes=offset, size_bytes=size))


def _stream_info(payload: bytes) -> StreamInfo:
    min_block, max_block = struct.unpack_from(">HH", payload)
    packed = int.from_bytes(payload[10:18], "big")
    return StreamInfo(
        min_block=min_block,
        max_block=max_block,
        sample_rate_hz=packed >> 44,
        channels=(packed >> 41 & 7) + 1,
        bits=(packed >> 36 & 31) + 1,
        max_frame_bytes=int.from_bytes(payload[7:10], "big"),
        total_frames=packed & (1 << 36) - 1,
        md5=payload[18:34],
    )


def _comments(payload: bytes) -> Iterator[tuple[str, str]]:
    """Vorbis comments (RFC 9639, 8.6): little-endian lengths, UTF-8, KEY=value."""
    (vendor,) = struct.unpack_from("<I", payload.ljust(4, b"\0"))
    position = 8 + vendor
    if position > len(payload):
        return
    (count,) = struct.unpack_from("<I", payload, position - 4)
    for _ in range(min(count, faults.MAX_CHUNKS)):
        if position + 4 > len(payload):
            return
        (length,) = struct.unpack_from("<I", payload, position)
        key, _, value = payload[position + 4 : position + 4 + length].partition(b"=")
        yield plain_text(key).upper(), plain_text(value)
        position += 4 + length
