"""W64: chunks named by GUIDs, 64-bit sizes that count their own 24-byte heads, steps of 8 bytes.

No standard: layout from memory, held by tests against files that the reference library writes.
"""

from __future__ import annotations

import struct
from collections.abc import Iterator
from typing import BinaryIO, Final

from stemprep.containers import faults
from stemprep.containers.bext import parse_bext
from stemprep.containers.chunk_walk import ChunkLayout, by_rewrapping, walk_chunks
from stemprep.containers.contradictions import ChunkNames, FormatReading, contradictions
from stemprep.containers.linear import Structure, read_linear_blocks
from stemprep.containers.protocol import OnBytes
from stemprep.containers.reading_only import copy_audio, write_blocks
from stemprep.containers.riff_chunks import read_at
from stemprep.containers.sound_range import locate_sound, told_together
from stemprep.containers.wav_format import in_known_words, parse_format
from stemprep.dsp.block import SoundBlock
from stemprep.model.header import Header

__all__ = ["NAMES", "WRITES", "copy_audio", "probe", "read_blocks", "read_header", "write_blocks"]

NAMES: Final[frozenset[str]] = frozenset({"W64"})
WRITES: Final[frozenset[str]] = frozenset()

_RIFF: Final = b"riff" + bytes.fromhex("2e91cf11a5d628db04c10000")
_TAIL: Final = bytes.fromhex("f3acd3118cd100c04f8edb8a")
_WAVE: Final = b"wave" + _TAIL
_HEAD_BYTES: Final = 24
_FIRST_CHUNK: Final = 40
_STRUCTURE: Final = frozenset({"fmt ", "fact", "junk"})
_NAMES_OF_CHUNKS: Final = ChunkNames(
    format="fmt ",
    sound="data",
    is_format_first=True,
    once=frozenset({"bext", "fact", "levl"}),
)
_MAX_BEXT_BYTES: Final = 1_000_000


def probe(head: bytes) -> bool:
    """Tell by the outer GUID."""
    return head[:16] == _RIFF


def read_header(stream: BinaryIO, size_bytes: int) -> Header:
    """Read all chunks; the sound itself is not touched."""
    return _examine(stream, size_bytes).header


def read_blocks(
    stream: BinaryIO, header: Header, on_bytes: OnBytes, block_frames: int
) -> Iterator[SoundBlock]:
    """Decode the frames that are there; see ``read_linear_blocks``."""
    yield from read_linear_blocks(stream, header, on_bytes, block_frames, _examine)


def _examine(stream: BinaryIO, size_bytes: int) -> Structure:
    head = read_at(stream, 0, _FIRST_CHUNK)
    if head[24:40] != _WAVE:
        told = faults.unreadable("a W64 file that does not say it holds sound", "the kind 'wave'")
        return Structure(header=Header(format=None, faults=(told,)))
    found = walk_chunks(stream, size_bytes, _FIRST_CHUNK, _LAYOUT)
    payload = found.payload(stream, "fmt ", 256)
    audio_format, told_format = parse_format(payload, "W64")
    audio_format, told_format = in_known_words(
        stream, payload, found.sound, audio_format, told_format
    )
    sound = locate_sound(audio_format, found.sound, "data")
    found.judge_outer_size(struct.unpack_from("<Q", head, 16)[0], size_bytes, slack_bytes=7)
    bext, problem = parse_bext(found.payload(stream, "bext", _MAX_BEXT_BYTES) or b"")
    if problem and any(chunk.identifier == "bext" for chunk in found.chunks):
        found.faults.append(faults.broken_metadata("bext", problem))
    header = Header(
        format=audio_format,
        declared_frames=sound.declared_frames,
        frames=sound.frames,
        faults=by_rewrapping(
            [
                *told_together(told_format, sound.faults),
                *found.faults,
                *contradictions(stream, found.in_order, _NAMES_OF_CHUNKS, _read_format),
            ]
        ),
        bext=bext,
        chunks=tuple(c for c in found.chunks if c.identifier not in _STRUCTURE),
    )
    return Structure(header=header, offset=sound.offset, byte_order="LITTLE", is_unsigned=True)


def _read_format(payload: bytes) -> FormatReading:
    return parse_format(payload, "W64")[0], ""


def _read_head(head: bytes) -> tuple[str, int]:
    """Identifier of a GUID made from four letters, hexadecimal for others."""
    guid, (size,) = head[:16], struct.unpack_from("<Q", head, 16)
    if guid[4:] == _TAIL and guid[:4].isascii():
        identifier = guid[:4].decode("ascii")
    else:
        identifier = guid.hex()
    if identifier != "data" and size < _HEAD_BYTES:
        return "", 0
    return identifier, -1 if size in (0, 2**64 - 1) else size - _HEAD_BYTES


_LAYOUT: Final = ChunkLayout(
    head_bytes=_HEAD_BYTES, alignment=8, sound="data", empty_bytes=0, read_head=_read_head
)
