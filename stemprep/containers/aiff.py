"""AIFF and AIFC: big-endian chunks, sound in ``SSND``, its format in ``COMM``.

Sources: AIFF 1.3 (1989) and AIFF-C draft (1991) as their maker published them; the sample codes
beyond those two: common practice, no source.
"""

from __future__ import annotations

import math
import struct
from collections.abc import Iterator
from dataclasses import dataclass, replace
from typing import BinaryIO, Final

from stemprep.containers import faults, sound_faults
from stemprep.containers.aiff_text import read_info, read_markers
from stemprep.containers.chunk_walk import ChunkLayout, by_rewrapping, four_letters, walk_chunks
from stemprep.containers.contradictions import ChunkNames, FormatReading, contradictions
from stemprep.containers.linear import ByteOrder, Structure, read_linear_blocks
from stemprep.containers.protocol import OnBytes
from stemprep.containers.reading_only import copy_audio, write_blocks
from stemprep.containers.riff_chunks import read_at
from stemprep.containers.sound_range import DataRange, Sound, locate_sound, told_together
from stemprep.dsp.block import SoundBlock
from stemprep.model.header import AudioFormat, Header, HeaderFault
from stemprep.model.words import Container, Encoding

__all__ = ["NAMES", "WRITES", "copy_audio", "probe", "read_blocks", "read_header", "write_blocks"]

NAMES: Final[frozenset[str]] = frozenset({"AIFF", "AIFC"})
WRITES: Final[frozenset[str]] = frozenset()

_KINDS: Final[dict[bytes, Container]] = {b"AIFF": "AIFF", b"AIFC": "AIFC"}
_STRUCTURE: Final = frozenset({"COMM", "FVER", "FLLR"})
_FIRST_CHUNK: Final = 12
_NAMES_OF_CHUNKS: Final = ChunkNames(
    format="COMM",
    sound="SSND",
    is_format_first=False,  # AIFF 1.3: chunks may come in any order
    sound_head_bytes=8,
    once=frozenset({"FVER", "MARK", "INST", "COMT", "AESD", "NAME", "AUTH", "(c) "}),
)


@dataclass(frozen=True, slots=True)
class _Code:
    """What a four-letter sample code means; bits 0: as COMM says."""

    encoding: Encoding
    bits: int = 0
    byte_order: ByteOrder = "BIG"
    is_unsigned: bool = False
    words: str = ""


_CODES: Final = {
    b"NONE": _Code("integer"),
    b"twos": _Code("integer"),
    b"sowt": _Code("integer", byte_order="LITTLE"),
    b"raw ": _Code("integer", 8, is_unsigned=True),
    b"in24": _Code("integer", 24),
    b"in32": _Code("integer", 32),
    b"42ni": _Code("integer", 24, "LITTLE", words="24 bits, little-endian"),
    b"42n1": _Code("integer", 24, "LITTLE", words="24 bits, little-endian; libsndfile's spelling"),
    b"23ni": _Code("integer", 32, "LITTLE", words="32 bits, little-endian"),
    b"fl32": _Code("float", 32),
    b"FL32": _Code("float", 32),
    b"fl64": _Code("float", 64),
    b"FL64": _Code("float", 64),
    b"ulaw": _Code("companded", words="mu-law"),
    b"ULAW": _Code("companded", words="mu-law"),
    b"alaw": _Code("companded", words="A-law"),
    b"ALAW": _Code("companded", words="A-law"),
    b"ima4": _Code("lossy", words="IMA ADPCM"),
    b"GSM ": _Code("lossy", words="GSM 6.10"),
    b"MAC3": _Code("lossy", words="3:1 compressed sound (MACE)"),
    b"MAC6": _Code("lossy", words="6:1 compressed sound (MACE)"),
}


def probe(head: bytes) -> bool:
    """Tell by the first four bytes; true for every IFF file, sound or not."""
    return head[:4] == b"FORM"


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
    kind = _KINDS.get(head[8:12])
    if kind is None:
        found = f"an IFF file of the kind {head[8:12].decode('latin-1')!r}"
        told = faults.unreadable(found, "the kind 'AIFF' or 'AIFC'")
        return Structure(header=Header(format=None, faults=(told,)))
    chunks = walk_chunks(stream, size_bytes, _FIRST_CHUNK, _LAYOUT)
    common = _Common(chunks.payload(stream, "COMM", 256), kind)
    sound, told_length = _sound(stream, chunks.sound, common)
    chunks.judge_outer_size(struct.unpack_from(">I", head, 4)[0] + 8, size_bytes, slack_bytes=1)
    header = Header(
        format=common.format,
        declared_frames=sound.declared_frames,
        frames=sound.frames,
        faults=by_rewrapping(
            [
                *told_together(common.faults, told_length),
                *chunks.faults,
                *contradictions(
                    stream,
                    chunks.in_order,
                    _NAMES_OF_CHUNKS,
                    lambda payload: _read_format(payload, kind),
                ),
            ]
        ),
        cues=read_markers(chunks.payload(stream, "MARK", faults.MAX_METADATA_BYTES) or b""),
        info=read_info(stream, chunks.chunks),
        chunks=tuple(c for c in chunks.chunks if c.identifier not in _STRUCTURE),
    )
    return Structure(
        header=header,
        offset=sound.offset,
        byte_order=common.code.byte_order,
        is_unsigned=common.code.is_unsigned,
    )


def _read_format(payload: bytes, kind: Container) -> FormatReading:
    common = _Common(payload, kind)
    order = f"{common.code.byte_order.lower()}-endian"
    return common.format, f"{order}, {common.frames:,} samples a channel"


class _Common:
    """The ``COMM`` chunk; format is None where no sound could be read by it."""

    def __init__(self, payload: bytes | None, kind: Container) -> None:
        self.format: AudioFormat | None = None
        self.code = _CODES[b"NONE"]
        self.frames = 0
        self.faults: list[HeaderFault] = []
        needed = 22 if kind == "AIFC" else 18
        if payload is None or len(payload) < needed:
            found = "no format at all" if payload is None else f"a format of {len(payload)} bytes"
            self.faults.append(
                faults.impossible("comm", found, f"a 'COMM' chunk of {needed} bytes")
            )
            return
        channels, self.frames, bits = struct.unpack_from(">hIh", payload)
        rate_hz = extended(payload[8:18])
        told = faults.out_of_range(channels, rate_hz)
        if told is not None:
            self.faults.append(told)
            return
        self._read_code(payload[18:22] if kind == "AIFC" else b"NONE", bits)
        if not any(fault.severity == "fail" for fault in self.faults) or self.is_coded:
            self._build(kind, channels, rate_hz, bits)

    @property
    def is_coded(self) -> bool:
        return self.code.encoding not in ("integer", "float")

    def _read_code(self, name: bytes, bits: int) -> None:
        code = _CODES.get(name)
        if code is None:
            found = f"the unknown sample code {name.decode('latin-1')!r}"
            self.faults.append(faults.unreadable(found, "linear PCM or float"))
            return
        self.code = code
        if self.is_coded:
            self.faults.append(sound_faults.lossy(code.words))
        elif not code.bits and not 1 <= bits <= 32:
            self.faults.append(faults.impossible("bits", f"{bits} bits per sample", "1 to 32 bits"))
        elif code.words:
            self.faults.append(sound_faults.rare_coding(name.decode("latin-1"), code.words))

    def _build(self, kind: Container, channels: int, rate_hz: float, bits: int) -> None:
        taken_hz = round(rate_hz)
        if taken_hz != rate_hz:
            self.faults.append(faults.fractional_rate(rate_hz, taken_hz))
        container_bits = self.code.bits or -(-bits // 8) * 8
        is_exact = self.code.encoding == "float" or not 1 <= bits <= container_bits
        self.format = AudioFormat(
            container=kind,
            encoding=self.code.encoding,
            sample_rate_hz=taken_hz,
            channels=channels,
            bit_depth=container_bits if is_exact else bits,
            container_bits=container_bits,
        )


def extended(stored: bytes) -> float:
    """80-bit extended float of IEEE 754; infinite where it is no number or too large."""
    sign_exponent, mantissa = struct.unpack(">HQ", stored)
    exponent = sign_exponent & 0x7FFF
    if exponent == 0x7FFF or exponent - 16383 > 1000:
        return math.inf
    value = math.ldexp(mantissa, exponent - 16383 - 63)
    return -value if sign_exponent & 0x8000 else value


def _sound(
    stream: BinaryIO, chunk: DataRange | None, common: _Common
) -> tuple[Sound, list[HeaderFault]]:
    """Compare the two lengths that an AIFF states: the longer is promised, all present is read."""
    data = None if chunk is None else _behind_offset(stream, chunk)
    if data is None or common.format is None or common.is_coded:
        sound = locate_sound(common.format, data, "SSND")
        return sound, list(sound.faults)
    promised = common.frames * common.format.frame_bytes
    if data.declared is not None and promised > data.declared:
        data = replace(data, declared=promised)
    elif data.declared == promised + 1 and promised & 1:
        # libsndfile counts the pad byte of an odd sound chunk as sound.
        data = replace(data, declared=promised, present=min(data.present, promised))
    sound = locate_sound(common.format, data, "SSND")
    told = list(sound.faults)
    if common.frames < sound.frames and data.declared is not None and not told:
        told.append(sound_faults.frame_count(common.frames, sound.frames))
    return sound, told


def _behind_offset(stream: BinaryIO, chunk: DataRange) -> DataRange:
    """Step over the chunk's own head: offset to the first frame, block size."""
    head = read_at(stream, chunk.offset, 4).ljust(4, b"\0")
    return chunk.behind_head(8 + struct.unpack(">I", head)[0])


def _read_head(head: bytes) -> tuple[str, int]:
    return four_letters(head), struct.unpack_from(">I", head, 4)[0]


_LAYOUT: Final = ChunkLayout(
    head_bytes=8, alignment=2, sound="SSND", empty_bytes=8, read_head=_read_head
)
