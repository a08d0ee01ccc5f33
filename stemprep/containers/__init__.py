"""Audio files by content: header, sound, metadata, and writing them.

Every function works on an open binary stream; who may open what is not decided here.
"""

from __future__ import annotations

import importlib
from collections.abc import Iterator
from dataclasses import replace
from typing import BinaryIO, Final, cast

from stemprep.containers import second_opinion
from stemprep.containers.bext import build_bext
from stemprep.containers.extension import extension_fault
from stemprep.containers.foreign import foreign_fault
from stemprep.containers.libsndfile import DecoderStopped
from stemprep.containers.metadata import dropped_metadata, made_metadata, outgoing_metadata
from stemprep.containers.other_reader import OtherReader
from stemprep.containers.protocol import Container, DecodingFault, Metadata, OnBytes, pass_through
from stemprep.dsp.block import SoundBlock
from stemprep.errors import PrepareError
from stemprep.model.header import AudioFormat, Header

__all__ = [
    "BLOCK_FRAMES",
    "CONTAINERS",
    "DecoderStopped",
    "DecodingFault",
    "Metadata",
    "OnBytes",
    "OtherReader",
    "build_bext",
    "copy_audio",
    "dropped_metadata",
    "made_metadata",
    "outgoing_metadata",
    "read_blocks",
    "read_header",
    "second_opinion",
    "write_blocks",
]

CONTAINERS: Final = (
    "riff",
    "rifx",
    "w64",
    "aiff",
    "caf",
    "flac",
    "lossy",
)
"""One line a container, its module; probed in this order, loaded when no one before it fits."""

BLOCK_FRAMES: Final = 65_536
_PROBE_BYTES = 64


def read_header(stream: BinaryIO, size_bytes: int, name: str) -> Header:
    """Read what a file says about itself: by its content; a ``name`` that lies is a note.

    Never raises for bad content: every defect is a fault of the header; content that no
    container knows gives ``format`` None and an ``unreadable`` fault. OSError passes through.
    """
    stream.seek(0)
    head = stream.read(_PROBE_BYTES)
    container = next((known for known in _containers() if known.probe(head)), None)
    if container is None:
        return Header(format=None, faults=(foreign_fault(head),))
    header = container.read_header(stream, size_bytes)
    fault = extension_fault(name, header)
    return header if fault is None else replace(header, faults=(*header.faults, fault))


def _containers() -> Iterator[Container]:
    for name in CONTAINERS:
        yield cast("Container", importlib.import_module(f"{__name__}.{name}"))


def read_blocks(
    stream: BinaryIO, header: Header, on_bytes: OnBytes, block_frames: int = BLOCK_FRAMES
) -> Iterator[SoundBlock]:
    """Decode a file in order.

    Every byte of the file goes to ``on_bytes`` once and in order, in the same read as the
    sound; also where there is no sound to yield. The iterator must be used up for that.
    ``on_bytes`` must not keep what it is given: buffers are used again.
    Raises DecodingFault where a container other than RIFF finds its sound damaged.
    """
    container = _reader_of(header)
    if container is not None:
        yield from container.read_blocks(stream, header, on_bytes, block_frames)
    else:
        stream.seek(0)
        pass_through(stream, on_bytes)


def copy_audio(source: BinaryIO, header: Header, target: BinaryIO, metadata: Metadata) -> None:
    """Copy the sound's bytes unchanged under a header rebuilt from what is really there.

    RIFF family: a WAV, or RF64 above 4,294,000,000 bytes; also the way to a plain WAV from
    RF64 or BW64. Raises PrepareError where there is no sound, or the container has no writer.
    """
    _writer_of(header.format).copy_audio(source, header, target, metadata)


def write_blocks(
    target: BinaryIO,
    audio_format: AudioFormat,
    blocks: Iterator[SoundBlock],
    metadata: Metadata,
    frames: int,
) -> None:
    """Write ``frames`` frames of sound; the same input gives the same bytes.

    Integer formats take the blocks' codes (left-justified; bits beyond the container are cut),
    float formats their samples. Raises PrepareError for a format that cannot be written and
    where channels or the number of frames are not as planned.
    """
    _writer_of(audio_format).write_blocks(target, audio_format, blocks, metadata, frames)


def _writer_of(audio_format: AudioFormat | None) -> Container:
    """Find who writes this container's family; the family decides the exact form (WAV or RF64)."""
    name = "unknown" if audio_format is None else audio_format.container
    writer = next((known for known in _containers() if name in known.NAMES and known.WRITES), None)
    if writer is None:
        raise PrepareError(f"no file of the kind {name} can be written")
    return writer


def _reader_of(header: Header) -> Container | None:
    if header.format is None:
        return None
    name = header.format.container
    return next((known for known in _containers() if name in known.NAMES), None)
