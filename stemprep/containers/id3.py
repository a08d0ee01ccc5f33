"""ID3 tags around sound: how long they are. Source: the informal ID3v2.4 standard (from memory)."""

from __future__ import annotations

from typing import BinaryIO, Final

from stemprep.containers.riff_chunks import read_at

_HEAD_BYTES: Final = 10
_FOOTER_FLAG: Final = 0x10
_MAX_TAGS: Final = 8
_OLD_TAG_BYTES: Final = 128


def id3_bytes(stream: BinaryIO) -> int:
    """Bytes of ID3v2 tags at the start of a file; 0 where there is none."""
    position = 0
    for _ in range(_MAX_TAGS):
        head = read_at(stream, position, _HEAD_BYTES)
        if len(head) < _HEAD_BYTES or head[:3] != b"ID3" or any(byte > 0x7F for byte in head[6:]):
            break
        size = head[6] << 21 | head[7] << 14 | head[8] << 7 | head[9]
        position += _HEAD_BYTES + size + (_HEAD_BYTES if head[5] & _FOOTER_FLAG else 0)
    return position


def without_old_tag(content: bytes) -> bytes:
    """The end of a file without its ID3v1 tag, where it has one."""
    return content[:-_OLD_TAG_BYTES] if content[-_OLD_TAG_BYTES:][:3] == b"TAG" else content
