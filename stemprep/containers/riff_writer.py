"""Writing WAV, and RF64 where the size no longer fits into 32 bits.

Order: ds64 (RF64 only), bext, fmt, fact, the other metadata, data: everything that explains the
sound stands in front of it. No clock, no program name: the same sound gives the same bytes.
"""

from __future__ import annotations

import struct
from collections.abc import Iterator
from dataclasses import dataclass
from typing import BinaryIO, Final

from stemprep.containers.pcm import encode_codes, encode_float
from stemprep.containers.protocol import COPY_BYTES, Metadata
from stemprep.containers.riff_chunks import UNKNOWN_SIZE
from stemprep.containers.wav_format import build_format, is_extensible
from stemprep.dsp.block import SoundBlock
from stemprep.errors import PrepareError
from stemprep.model.header import AudioFormat, Header

RF64_ABOVE_BYTES: Final = 4_294_000_000
"""A little under 2**32, so that later chunks still fit into a plain WAV."""

_INTEGER_BITS = (8, 16, 24, 32)
_FLOAT_BITS = (32, 64)


def copy_audio(
    source: BinaryIO,
    header: Header,
    target: BinaryIO,
    metadata: Metadata,
    *,
    rf64_above_bytes: int = RF64_ABOVE_BYTES,
) -> None:
    """Write the sound's bytes as they are under a rebuilt header.

    Raises PrepareError where the header holds no sound or the source has become shorter.
    """
    if header.format is None or header.data_size_bytes == 0:
        raise PrepareError("no sound to copy: the source could not be read")
    layout = _layout(header.format, metadata, header.frames)
    target.write(_head(layout, rf64_above_bytes))
    source.seek(header.data_offset_bytes)
    left = header.data_size_bytes
    while left:
        piece = source.read(min(COPY_BYTES, left))
        if not piece:
            raise PrepareError(f"the source has become {left} bytes shorter while it was copied")
        target.write(piece)
        left -= len(piece)
    target.write(b"\0" * (layout.data_size & 1))


def write_blocks(
    target: BinaryIO,
    audio_format: AudioFormat,
    blocks: Iterator[SoundBlock],
    metadata: Metadata,
    frames: int,
    *,
    rf64_above_bytes: int = RF64_ABOVE_BYTES,
) -> None:
    """Write ``frames`` frames: integers from the blocks' codes, float from their samples.

    Raises PrepareError for a format that WAV cannot hold, for an integer format without codes,
    for blocks of another channel count, and where another number of frames arrives.
    """
    _demand_writable(audio_format)
    layout = _layout(audio_format, metadata, frames)
    target.write(_head(layout, rf64_above_bytes))
    written = 0
    for block in blocks:
        target.write(_encode(block, audio_format))
        written += block.frames
    if written != frames:
        raise PrepareError(f"{frames} frames were planned and {written} arrived")
    target.write(b"\0" * (layout.data_size & 1))


@dataclass(frozen=True, slots=True)
class _Layout:
    """Chunks before the sound, and the sizes that follow from them."""

    chunks: tuple[tuple[str, bytes], ...]
    frames: int
    data_size: int

    @property
    def riff_size(self) -> int:
        """Size in a plain WAV: form type, chunks with heads and pads, the sound with its own."""
        before = sum(8 + len(payload) + (len(payload) & 1) for _, payload in self.chunks)
        return 4 + before + 8 + self.data_size + (self.data_size & 1)


def _layout(audio_format: AudioFormat, metadata: Metadata, frames: int) -> _Layout:
    first = tuple(chunk for chunk in metadata.chunks if chunk[0] == "bext")
    rest = tuple(chunk for chunk in metadata.chunks if chunk[0] != "bext")
    fmt = (("fmt ", build_format(audio_format)),)
    needs_fact = audio_format.encoding == "float" or is_extensible(audio_format)
    fact = (("fact", struct.pack("<I", min(frames, UNKNOWN_SIZE))),) if needs_fact else ()
    size = frames * audio_format.channels * audio_format.container_bits // 8
    return _Layout(first + fmt + fact + rest, frames, size)


def _head(layout: _Layout, rf64_above_bytes: int) -> bytes:
    """Everything in front of the first sample."""
    body = b"".join(_chunk(name, payload) for name, payload in layout.chunks)
    if layout.riff_size + 8 <= rf64_above_bytes:
        start = struct.pack("<4sI4s", b"RIFF", layout.riff_size, b"WAVE")
        return start + body + struct.pack("<4sI", b"data", layout.data_size)
    ds64 = struct.pack("<QQQI", layout.riff_size + 36, layout.data_size, layout.frames, 0)
    start = struct.pack("<4sI4s", b"RF64", UNKNOWN_SIZE, b"WAVE") + _chunk("ds64", ds64)
    return start + body + struct.pack("<4sI", b"data", UNKNOWN_SIZE)


def _chunk(name: str, payload: bytes) -> bytes:
    head = struct.pack("<4sI", name.encode("latin-1"), len(payload))
    return head + payload + b"\0" * (len(payload) & 1)


def _demand_writable(audio_format: AudioFormat) -> None:
    allowed = {"integer": _INTEGER_BITS, "float": _FLOAT_BITS}.get(audio_format.encoding, ())
    if audio_format.container_bits not in allowed:
        raise PrepareError(
            f"no WAV can be written with {audio_format.container_bits} bits {audio_format.encoding}"
        )


def _encode(block: SoundBlock, audio_format: AudioFormat) -> bytes:
    if block.samples.shape[0] != audio_format.channels:
        raise PrepareError(
            f"{audio_format.channels} channels were planned, {block.samples.shape[0]} arrived"
        )
    if audio_format.encoding == "float":
        return encode_float(block.samples, audio_format.container_bits)
    if block.codes is None:
        raise PrepareError("an integer file was planned, but the sound has no integer codes")
    return encode_codes(block.codes, audio_format.container_bits)
