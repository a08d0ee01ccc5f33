"""The metadata blocks of a FLAC file. Source: RFC 9639, section 8."""

from __future__ import annotations

import re
import struct
from collections.abc import Iterator
from dataclasses import dataclass, field
from typing import BinaryIO, Final

from stemprep.containers import faults
from stemprep.containers.flac_frames import (
    MAX_HEADER_BYTES,
    FlacFrame,
    StreamInfo,
    form_of_frame,
    largest_frame_bytes,
    with_numbering,
)
from stemprep.containers.id3 import id3_bytes
from stemprep.containers.markers import plain_text
from stemprep.containers.riff_chunks import read_at
from stemprep.containers.second_recording import HEAD_BYTES, SECOND_FILE, second_recording
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
_STREAM_START: Final = re.compile(rb"fLaC[\0\x80]\0\0\x22")
_FRAME_HEAD_BYTES: Final = 6  # of a frame: sync, format and number
_START_BYTES: Final = 8 + _STREAMINFO_BYTES
_PIECE_BYTES: Final = 1 << 20


@dataclass(slots=True)
class FlacBlocks:
    """What stands in front of the sound: start of the stream, of the sound, metadata, faults.

    info_offset: first byte of STREAMINFO in the file.
    first_frame: header of the first frame, whatever STREAMINFO says; None where there is none.
    """

    start: int
    sound_offset: int = 0
    info: StreamInfo | None = None
    info_offset: int = 0
    first_frame: FlacFrame | None = None
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
    if blocks.info is not None:
        most = largest_frame_bytes(blocks.info) + MAX_HEADER_BYTES
        content = read_at(stream, position, most)
        blocks.first_frame = form_of_frame(content)
        blocks.info = with_numbering(blocks.info, content)
    if blocks.info is None and not blocks.faults:
        told = faults.impossible("streaminfo", "nothing of the sound's format", "STREAMINFO first")
        blocks.faults.append(told)
    return blocks


def _tell_lost(blocks: FlacBlocks, position: int) -> None:
    found = f"metadata from byte {position} on that the file does not hold"
    blocks.info = None
    blocks.faults.append(faults.impossible("block-size", found, "a chain of whole blocks"))


def _enter(stream: BinaryIO, blocks: FlacBlocks, kind: int, offset: int, size: int) -> None:
    if kind == _STREAMINFO and size >= _STREAMINFO_BYTES:
        _enter_info(blocks, _stream_info(read_at(stream, offset, _STREAMINFO_BYTES)), offset)
    elif kind == _COMMENT and not blocks.comments:
        blocks.comments = tuple(_comments(read_at(stream, offset, min(size, _MAX_COMMENT_BYTES))))
    if kind not in _STRUCTURE:
        name = _NAMES.get(kind, f"block {kind}")
        blocks.chunks.append(Chunk(identifier=name, offset_bytes=offset, size_bytes=size))


def _enter_info(blocks: FlacBlocks, info: StreamInfo, offset: int) -> None:
    """Take the first STREAMINFO; another, or one that is not the first block, is told."""
    if blocks.info is None:
        blocks.info, blocks.info_offset = info, offset
        if offset != blocks.start + 8:
            found = "other metadata stands before STREAMINFO"
            message = f"{found}, which must come first: some programs do not open such a file"
            blocks.faults.append(
                faults.repairable("chunk-order", found, "STREAMINFO first", message)
            )
    elif info == blocks.info:
        message = "the file has STREAMINFO more than once; all say the same"
        blocks.faults.append(faults.remark("second-format", "more than one", "one", message))
    else:
        first, second = info_words(blocks.info), info_words(info)
        blocks.faults.append(
            faults.ambiguous(
                "second-format",
                f"{first}; {second}",
                "one STREAMINFO",
                f"the file has STREAMINFO more than once, with {first} and with {second}; it was "
                "measured by the first, other programs may go by the last",
            )
        )


def info_words(info: StreamInfo) -> str:
    """A stream's format and length in words."""
    return (
        f"{form_words(info.sample_rate_hz, info.channels, info.bits)}, "
        f"{info.total_frames:,} samples a channel"
    )


def form_words(rate_hz: int, channels: int, bits: int) -> str:
    """Rate, channels and word length in words; those that are 0 are left out."""
    count = "1 channel" if channels == 1 else f"{channels} channels"
    parts = (f"{rate_hz:,} Hz" if rate_hz else "", count, f"{bits} bits" if bits else "")
    return ", ".join(filter(None, parts))


def second_stream(
    stream: BinaryIO, blocks: FlacBlocks, size_bytes: int
) -> tuple[int, HeaderFault] | None:
    """Where another stream or file begins behind the first one's metadata, and the fault.

    Known by its head, or by frames that begin with the first number again: six bytes or more,
    which come up by chance once in 2**48 bytes of sound.
    """
    start = blocks.sound_offset
    known = SECOND_FILE.pattern + b"|" + _STREAM_START.pattern
    if blocks.first_frame is not None:
        known += b"|" + re.escape(read_at(stream, start, _FRAME_HEAD_BYTES))
    pattern = re.compile(known, re.DOTALL)
    for position in range(start + 1, size_bytes, _PIECE_BYTES):
        piece = read_at(stream, position, _PIECE_BYTES + _START_BYTES)
        match = pattern.search(piece)
        if match is not None:
            at = position + match.start()
            head = read_at(stream, at, _START_BYTES)
            is_stream = head.startswith(b"fLaC")
            fault = None if is_stream else second_recording(head[:HEAD_BYTES], at)
            info = _stream_info(head[8:]) if is_stream else None
            return at, fault or _second_stream(at, info)
    return None


def _second_stream(offset: int, info: StreamInfo | None) -> HeaderFault:
    what = "its frames alone" if info is None else info_words(info)
    found = f"a second FLAC stream from byte {offset} on ({what})"
    return faults.ambiguous(
        "second-stream",
        found,
        "one stream",
        f"the file holds {found} behind the first; it was not measured: some programs play both, "
        "most only the first",
    )


def _stream_info(payload: bytes) -> StreamInfo:
    payload = payload.ljust(_STREAMINFO_BYTES, b"\0")
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
