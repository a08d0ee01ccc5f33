"""Linear sound outside RIFF: the library decodes the range that our reader has found."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass
from typing import BinaryIO, Literal

from stemprep.containers import sound_faults
from stemprep.containers.libsndfile import Decoder, decode_blocks
from stemprep.containers.protocol import DecodingFault, OnBytes, pass_through
from stemprep.dsp.block import SoundBlock
from stemprep.model.header import Header

ByteOrder = Literal["LITTLE", "BIG"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Structure:
    """A header, and how and from which byte on its sound is stored."""

    header: Header
    offset: int = 0
    byte_order: ByteOrder = "BIG"
    is_unsigned: bool = False


Examine = Callable[[BinaryIO, int], Structure]


def read_linear_blocks(
    stream: BinaryIO, header: Header, on_bytes: OnBytes, block_frames: int, examine: Examine
) -> Iterator[SoundBlock]:
    """Read the whole file once for ``on_bytes``, then decode ``header.frames`` frames.

    Raises DecodingFault where fewer can be decoded: the file has changed meanwhile.
    """
    stream.seek(0)
    size_bytes = pass_through(stream, on_bytes)
    if header.format is None or not header.is_readable:
        return
    structure = examine(stream, size_bytes)
    size = header.frames * header.format.frame_bytes
    with Decoder(stream, structure.offset, size, raw=_raw(structure, header)) as decoder:
        yield from decode_blocks(decoder, header.format, header.frames, block_frames)
        if decoder.position < header.frames:
            rate_hz = header.format.sample_rate_hz
            raise DecodingFault(
                sound_faults.decoded_short(header.frames, decoder.position, rate_hz)
            )


def _raw(structure: Structure, header: Header) -> dict[str, object]:
    assert header.format is not None, "a readable header has a format"
    bits = header.format.container_bits
    if header.format.encoding == "float":
        subtype = "FLOAT" if bits == 32 else "DOUBLE"
    elif bits == 8:
        subtype = "PCM_U8" if structure.is_unsigned else "PCM_S8"
    else:
        subtype = f"PCM_{bits}"
    return {
        "format": "RAW",
        "subtype": subtype,
        "endian": structure.byte_order,
        "channels": header.format.channels,
        "samplerate": header.format.sample_rate_hz,
    }
