"""What an MP4, M4A or QuickTime file carries. Source: ISO/IEC 14496-12 (from memory)."""

from __future__ import annotations

import struct
from collections.abc import Iterator
from typing import BinaryIO, Final

from stemprep.containers.coded_content import CodedContent
from stemprep.containers.riff_chunks import read_at

_TOP_BOXES: Final = frozenset({b"ftyp", b"moov", b"mdat", b"wide", b"skip", b"pnot"})
_MAX_BOXES: Final = 1000
_MAX_INDEX_BYTES: Final = 4_000_000
_CODINGS: Final = {
    b"mp4a": ("AAC in an MP4 file (M4A)", False),
    b"ac-3": ("AC-3 in an MP4 file", False),
    b"ec-3": ("E-AC-3 in an MP4 file", False),
    b"Opus": ("Opus in an MP4 file", False),
    b".mp3": ("MPEG layer III (MP3) in an MP4 file", False),
    b"samr": ("AMR in an MP4 file", False),
    b"alac": ("ALAC in an MP4 file (M4A, lossless)", True),
    b"fLaC": ("FLAC in an MP4 file (lossless)", True),
    b"lpcm": ("linear PCM in an MP4 or QuickTime file", True),
    b"sowt": ("linear PCM in a QuickTime file", True),
    b"twos": ("linear PCM in a QuickTime file", True),
    b"in24": ("linear PCM in a QuickTime file", True),
    b"ipcm": ("linear PCM in an MP4 file", True),
}


def is_mp4(head: bytes) -> bool:
    """Tell by the first box."""
    size = int.from_bytes(head[:4], "big")
    return head[4:8] in _TOP_BOXES and (size in (0, 1) or size >= 8)


def read_mp4(stream: BinaryIO, size_bytes: int) -> CodedContent:
    """Name the coding of the first sound track that is known."""
    for kind, offset, size in _boxes(stream, size_bytes):
        if kind == b"moov":
            index = read_at(stream, offset, min(size, _MAX_INDEX_BYTES))
            return next(
                _sound_tracks(index), CodedContent(coding="MP4/M4A content", is_known=False)
            )
    return CodedContent(coding="MP4/M4A content without an index of its tracks", is_known=False)


def _boxes(stream: BinaryIO, size_bytes: int) -> Iterator[tuple[bytes, int, int]]:
    """Boxes of the top level: type, offset and size of the payload."""
    position = 0
    for _ in range(_MAX_BOXES):
        head = read_at(stream, position, 16)
        if len(head) < 8:
            return
        size, kind = struct.unpack_from(">I4s", head)
        head_bytes = 8
        if size == 1 and len(head) == 16:
            head_bytes, (size,) = 16, struct.unpack_from(">Q", head, 8)
        end = size_bytes if size == 0 else position + size
        if end < position + head_bytes:
            return
        yield kind, position + head_bytes, min(end, size_bytes) - position - head_bytes
        position = end


def _sound_tracks(index: bytes) -> Iterator[CodedContent]:
    """Known sample descriptions: size, type, 16 bytes, channels (16 bits) ... rate (16.16)."""
    position = index.find(b"stsd")
    while position >= 0:
        entry = index[position + 12 : position + 12 + 36]
        known = _CODINGS.get(entry[4:8])
        if known is not None and len(entry) == 36:
            (channels,) = struct.unpack_from(">H", entry, 24)
            (rate_hz,) = struct.unpack_from(">H", entry, 32)
            yield CodedContent(
                coding=known[0], is_lossless=known[1], sample_rate_hz=rate_hz, channels=channels
            )
        position = index.find(b"stsd", position + 4)
