"""Sound coded with loss, told by content whatever the file is called; it is not decoded."""

from __future__ import annotations

from collections.abc import Iterator
from typing import BinaryIO, Final

from stemprep.containers import faults, flac, foreign, riff, sound_faults
from stemprep.containers.coded_content import CodedContent
from stemprep.containers.id3 import id3_bytes
from stemprep.containers.mp4 import is_mp4, read_mp4
from stemprep.containers.mpeg import SEARCH_BYTES, find_frames, frame_pair, is_sync
from stemprep.containers.ogg import read_ogg
from stemprep.containers.protocol import OnBytes, pass_through
from stemprep.containers.reading_only import copy_audio, write_blocks
from stemprep.containers.riff_chunks import read_at
from stemprep.dsp.block import SoundBlock
from stemprep.model.header import AudioFormat, Header
from stemprep.model.words import Container

__all__ = ["NAMES", "WRITES", "copy_audio", "probe", "read_blocks", "read_header", "write_blocks"]

NAMES: Final[frozenset[str]] = frozenset({"MP3", "OGG", "MP4"})
WRITES: Final[frozenset[str]] = frozenset()

_OGG_HEAD_BYTES: Final = 512


def probe(head: bytes) -> bool:
    """Tell what may be coded sound; ``read_header`` looks closer."""
    return head[:3] == b"ID3" or head[:4] == b"OggS" or is_mp4(head) or is_sync(head)


def read_header(stream: BinaryIO, size_bytes: int) -> Header:
    """Name the coding; FLAC and WAV behind an ID3 tag are read as what they are."""
    head = read_at(stream, 0, _OGG_HEAD_BYTES)
    if head[:4] == b"OggS":
        return _header("OGG", read_ogg(head))
    if is_mp4(head):
        return _header("MP4", read_mp4(stream, size_bytes))
    tag_bytes = id3_bytes(stream)
    content = read_at(stream, tag_bytes, SEARCH_BYTES)
    if tag_bytes and content[:4] == b"fLaC":
        return flac.read_header(stream, size_bytes)
    if tag_bytes and riff.probe(content):
        return riff.read_header(stream, size_bytes, tag_bytes)
    frame = find_frames(content) if tag_bytes else frame_pair(content, 0)
    if frame is None:
        found = f"an ID3 tag of {tag_bytes} bytes, followed by {foreign.describe(content)}"
        told = faults.unreadable(found if tag_bytes else foreign.describe(head))
        return Header(format=None, faults=(told,))
    return _header("MP3" if frame.content.coding.startswith("MPEG") else "unknown", frame.content)


def read_blocks(
    stream: BinaryIO, header: Header, on_bytes: OnBytes, block_frames: int
) -> Iterator[SoundBlock]:
    """Give every byte to ``on_bytes``; there is no sound to yield."""
    stream.seek(0)
    pass_through(stream, on_bytes)
    yield from ()


def _header(container: Container, content: CodedContent) -> Header:
    if content.is_lossless:
        return Header(format=None, faults=(sound_faults.unsupported(content.coding),))
    told = sound_faults.lossy(content.coding, is_certain=content.is_known)
    if faults.out_of_range(content.channels, content.sample_rate_hz) is not None:
        return Header(format=None, faults=(told,))
    audio_format = AudioFormat(
        container=container,
        encoding="lossy",
        sample_rate_hz=content.sample_rate_hz,
        channels=content.channels,
        bit_depth=0,
        container_bits=0,
    )
    return Header(format=audio_format, faults=(told,))
