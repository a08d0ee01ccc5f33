"""RIFX: a WAV whose numbers are big-endian. Read only; rewrapping makes a WAV of it.

Source: RIFF as published by its makers (1991). Metadata is listed and not read.
"""

from __future__ import annotations

import struct
from collections.abc import Iterator
from typing import BinaryIO, Final

from stemprep.containers import faults
from stemprep.containers.chunk_walk import ChunkLayout, by_rewrapping, four_letters, walk_chunks
from stemprep.containers.contradictions import ChunkNames, FormatReading, contradictions
from stemprep.containers.linear import Structure, read_linear_blocks
from stemprep.containers.protocol import OnBytes
from stemprep.containers.reading_only import copy_audio, write_blocks
from stemprep.containers.riff_chunks import read_at
from stemprep.containers.sound_range import locate_sound, told_together
from stemprep.containers.wav_format import parse_format
from stemprep.dsp.block import SoundBlock
from stemprep.model.header import Header, HeaderFault

__all__ = ["NAMES", "WRITES", "copy_audio", "probe", "read_blocks", "read_header", "write_blocks"]

NAMES: Final[frozenset[str]] = frozenset({"RIFX"})
WRITES: Final[frozenset[str]] = frozenset()

_FIRST_CHUNK: Final = 12
_STRUCTURE: Final = frozenset({"fmt ", "data", "fact", "JUNK", "PAD "})
_NAMES_OF_CHUNKS: Final = ChunkNames(format="fmt ", sound="data", is_format_first=True)


def probe(head: bytes) -> bool:
    """Tell by the outer chunk and its kind."""
    return head[:4] == b"RIFX" and head[8:12] == b"WAVE"


def read_header(stream: BinaryIO, size_bytes: int) -> Header:
    """Read all chunks; the sound itself is not touched."""
    return _examine(stream, size_bytes).header


def read_blocks(
    stream: BinaryIO, header: Header, on_bytes: OnBytes, block_frames: int
) -> Iterator[SoundBlock]:
    """Decode the frames that are there; see ``read_linear_blocks``."""
    yield from read_linear_blocks(stream, header, on_bytes, block_frames, _examine)


def _examine(stream: BinaryIO, size_bytes: int) -> Structure:
    found = walk_chunks(stream, size_bytes, _FIRST_CHUNK, _LAYOUT)
    payload = found.payload(stream, "fmt ", 256)
    form, of_the_format = parse_format(_turned(payload), "RIFX")
    sound = locate_sound(form, found.sound, "data")
    stated = struct.unpack(">I", read_at(stream, 4, 4).rjust(4, b"\0"))[0]
    found.judge_outer_size(stated + 8, size_bytes, slack_bytes=1)
    told = [
        *told_together(of_the_format, sound.faults),
        *found.faults,
        *contradictions(stream, found.in_order, _NAMES_OF_CHUNKS, _read_format),
        _byte_order(),
    ]
    header = Header(
        format=form,
        declared_frames=sound.declared_frames,
        frames=sound.frames,
        faults=by_rewrapping(told),
        chunks=tuple(c for c in found.chunks if c.identifier not in _STRUCTURE),
    )
    return Structure(header=header, offset=sound.offset, byte_order="BIG", is_unsigned=True)


def _byte_order() -> HeaderFault:
    found = "a big-endian WAV (RIFX)"
    message = f"{found}: few programs open it"
    return faults.repairable("byte-order", found, "a little-endian WAV (RIFF)", message)


def _turned(payload: bytes | None) -> bytes | None:
    """A format chunk with the numbers of the plain part, and of the extension, little-endian."""
    if payload is None or len(payload) < 16:
        return payload
    core = struct.pack("<HHIIHH", *struct.unpack_from(">HHIIHH", payload))
    if len(payload) < 40:
        return core + payload[16:]
    extension = struct.pack("<HHIIHH", *struct.unpack_from(">HHIIHH", payload, 16))
    return core + extension + payload[32:]


def _read_format(payload: bytes) -> FormatReading:
    return parse_format(_turned(payload), "RIFX")[0], ""


def _read_head(head: bytes) -> tuple[str, int]:
    return four_letters(head), int.from_bytes(head[4:8], "big")


_LAYOUT: Final = ChunkLayout(
    head_bytes=8, alignment=2, sound="data", empty_bytes=0, read_head=_read_head
)
