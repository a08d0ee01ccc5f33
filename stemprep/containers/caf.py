"""CAF: big-endian chunks with 64-bit sizes, sound in ``data``, its format in ``desc``.

Source: the Core Audio Format specification 1.0 as its maker publishes it (from memory), held by
tests against files that the reference library writes.
"""

from __future__ import annotations

import struct
from collections.abc import Iterator
from typing import BinaryIO, Final

from stemprep.containers import faults, sound_faults
from stemprep.containers.chunk_walk import ChunkLayout, by_rewrapping, four_letters, walk_chunks
from stemprep.containers.contradictions import ChunkNames, FormatReading, contradictions
from stemprep.containers.linear import ByteOrder, Structure, read_linear_blocks
from stemprep.containers.markers import plain_text
from stemprep.containers.protocol import OnBytes
from stemprep.containers.reading_only import copy_audio, write_blocks
from stemprep.containers.sound_range import DataRange, locate_sound, told_together
from stemprep.dsp.block import SoundBlock
from stemprep.model.header import AudioFormat, Header, HeaderFault
from stemprep.model.words import Encoding

__all__ = ["NAMES", "WRITES", "copy_audio", "probe", "read_blocks", "read_header", "write_blocks"]

NAMES: Final[frozenset[str]] = frozenset({"CAF"})
WRITES: Final[frozenset[str]] = frozenset()

_FIRST_CHUNK: Final = 8
_EDIT_COUNT_BYTES: Final = 4
_DESCRIPTION_BYTES: Final = 32
_STRUCTURE: Final = frozenset({"desc", "free", "pakt", "kuki"})
_NAMES_OF_CHUNKS: Final = ChunkNames(
    format="desc",
    sound="data",
    is_format_first=True,
    sound_head_bytes=_EDIT_COUNT_BYTES,
    once=frozenset({"chan", "info", "inst", "mark", "regn", "strg"}),
)
_IS_FLOAT, _IS_LITTLE_ENDIAN = 1, 2
_COMPANDED: Final = {b"ulaw": "mu-law", b"alaw": "A-law"}
_LOSSLESS: Final = {b"alac": "ALAC", b"flac": "FLAC inside CAF"}
_LOSSY: Final = {
    b"ima4": "IMA ADPCM",
    b"aac ": "AAC",
    b"aach": "HE-AAC",
    b"aacp": "HE-AAC",
    b".mp1": "MPEG layer I",
    b".mp2": "MPEG layer II",
    b".mp3": "MPEG layer III (MP3)",
    b"ac-3": "AC-3",
    b"ec-3": "E-AC-3",
    b"opus": "Opus",
    b"ilbc": "iLBC",
    b"MAC3": "3:1 compressed sound (MACE)",
    b"MAC6": "6:1 compressed sound (MACE)",
}


def probe(head: bytes) -> bool:
    """Tell by the first four bytes."""
    return head[:4] == b"caff"


def read_header(stream: BinaryIO, size_bytes: int) -> Header:
    """Read all chunks; the sound itself is not touched."""
    return _examine(stream, size_bytes).header


def read_blocks(
    stream: BinaryIO, header: Header, on_bytes: OnBytes, block_frames: int
) -> Iterator[SoundBlock]:
    """Decode the frames that are there; see ``read_linear_blocks``."""
    yield from read_linear_blocks(stream, header, on_bytes, block_frames, _examine)


def _examine(stream: BinaryIO, size_bytes: int) -> Structure:
    chunks = walk_chunks(stream, size_bytes, _FIRST_CHUNK, _LAYOUT)
    description = _Description(chunks.payload(stream, "desc", _DESCRIPTION_BYTES))
    data = None if chunks.sound is None else chunks.sound.behind_head(_EDIT_COUNT_BYTES)
    sound = locate_sound(description.format, data, "data")
    told = told_together(description.faults, _of_the_length(sound.faults, data))
    header = Header(
        format=description.format,
        declared_frames=sound.declared_frames,
        frames=sound.frames,
        faults=by_rewrapping(
            [
                *told,
                *chunks.faults,
                *contradictions(stream, chunks.in_order, _NAMES_OF_CHUNKS, _read_format),
            ]
        ),
        info=_read_info(chunks.payload(stream, "info", _MAX_INFO_BYTES) or b""),
        chunks=tuple(c for c in chunks.chunks if c.identifier not in _STRUCTURE),
    )
    return Structure(header=header, offset=sound.offset, byte_order=description.byte_order)


def _read_format(payload: bytes) -> FormatReading:
    description = _Description(payload[:_DESCRIPTION_BYTES])
    return description.format, f"{description.byte_order.lower()}-endian"


class _Description:
    """The ``desc`` chunk; format is None where no sound could be read by it."""

    def __init__(self, payload: bytes | None) -> None:
        self.format: AudioFormat | None = None
        self.byte_order: ByteOrder = "BIG"
        self.faults: list[HeaderFault] = []
        if payload is None or len(payload) < _DESCRIPTION_BYTES:
            found = "no format at all" if payload is None else f"a format of {len(payload)} bytes"
            self.faults.append(faults.impossible("desc", found, "a 'desc' chunk of 32 bytes"))
            return
        fields = struct.unpack(">d4sIIIII", payload)
        self._rate_hz: float = fields[0]
        self._channels: int = fields[5]
        told = faults.out_of_range(self._channels, self._rate_hz)
        if told is not None:
            self.faults.append(told)
        elif fields[1] == b"lpcm":
            self._read_linear(flags=fields[2], packet_bytes=fields[3], bits=fields[6])
        else:
            self._read_coded(fields[1], fields[6])

    def _read_linear(self, flags: int, packet_bytes: int, bits: int) -> None:
        self.byte_order = "LITTLE" if flags & _IS_LITTLE_ENDIAN else "BIG"
        encoding: Encoding = "float" if flags & _IS_FLOAT else "integer"
        is_possible = bits in (32, 64) if encoding == "float" else 1 <= bits <= 32
        if not is_possible:
            words = "32 or 64 bits" if encoding == "float" else "1 to 32 bits"
            self.faults.append(faults.impossible("bits", f"{bits} bits per sample", words))
            return
        container_bits, spare = divmod(packet_bytes * 8, self._channels)
        is_wide = encoding == "integer" and container_bits in (8, 16, 24, 32)
        packed = -(-bits // 8) * 8
        if spare or not (container_bits == packed or (is_wide and container_bits > packed)):
            required = packed * self._channels // 8
            self.faults.append(faults.block_align(packet_bytes, required))
            container_bits = packed
        depth = container_bits if encoding == "float" else bits
        self._build(encoding, depth, container_bits)

    def _read_coded(self, code: bytes, bits: int) -> None:
        if code in _COMPANDED or code in _LOSSY:
            self.faults.append(sound_faults.lossy(_COMPANDED.get(code) or _LOSSY[code]))
            self._build("companded" if code in _COMPANDED else "lossy", bits, bits)
        elif code in _LOSSLESS:
            self.faults.append(sound_faults.unsupported(f"{_LOSSLESS[code]} (lossless)"))
        else:
            found = f"the unknown sample code {code.decode('latin-1')!r}"
            self.faults.append(faults.unreadable(found, "linear PCM or float"))

    def _build(self, encoding: Encoding, bit_depth: int, container_bits: int) -> None:
        taken_hz = round(self._rate_hz)
        if taken_hz != self._rate_hz:
            self.faults.append(faults.fractional_rate(self._rate_hz, taken_hz))
        self.format = AudioFormat(
            container="CAF",
            encoding=encoding,
            sample_rate_hz=taken_hz,
            channels=self._channels,
            bit_depth=bit_depth,
            container_bits=container_bits,
        )


def _of_the_length(told: tuple[HeaderFault, ...], data: DataRange | None) -> list[HeaderFault]:
    """An open size (-1) is legal in CAF: a note, for the end of the sound has no witness."""
    if data is None or data.stated != -1 or any(fault.severity == "fail" for fault in told):
        return list(told)
    return [
        faults.remark(
            "size-open",
            "a size of the sound left open (-1)",
            "the size of the sound",
            "the header leaves the length of the sound open, which CAF allows: whether its end "
            "is missing cannot be seen",
        )
    ]


_MAX_INFO_BYTES: Final = 1_000_000


def _read_info(payload: bytes) -> tuple[tuple[str, str], ...]:
    """Key and value texts, each ended by a NUL, behind a 32-bit count."""
    count = int.from_bytes(payload[:4], "big")
    texts = payload[4:].split(b"\0")
    pairs = zip(texts[::2], texts[1::2], strict=False)
    return tuple(
        (plain_text(key), plain_text(value))
        for _, (key, value) in zip(range(min(count, faults.MAX_CHUNKS)), pairs, strict=False)
    )


def _read_head(head: bytes) -> tuple[str, int]:
    return four_letters(head), struct.unpack_from(">q", head, 4)[0]


_LAYOUT: Final = ChunkLayout(
    head_bytes=12, alignment=1, sound="data", empty_bytes=4, read_head=_read_head
)
