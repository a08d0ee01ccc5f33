"""Writing WAV, and RF64 where the size no longer fits into 32 bits.

WAV: bext, fmt, fact, the other metadata, data: all that explains the sound stands in front of it.
RF64: ds64, bext, fmt, fact, data, the other metadata. A widespread reader (libsndfile 1.2, seen
here) steps wrongly over the pad byte of an odd chunk in front of RF64 sound; so a bext of odd
size gets a zero byte that counts, and everything else stands behind the sound.
No clock, no program name: the same sound gives the same bytes.
"""

from __future__ import annotations

import struct
from collections.abc import Iterator
from dataclasses import dataclass
from typing import BinaryIO

from stemprep.containers.pcm import encode_codes, encode_float
from stemprep.containers.protocol import COPY_BYTES, Metadata
from stemprep.containers.riff_chunks import UNKNOWN_SIZE
from stemprep.containers.wav_format import build_format, is_extensible
from stemprep.dsp.block import SoundBlock
from stemprep.errors import PrepareError
from stemprep.model.header import RF64_ABOVE_BYTES, AudioFormat, Header

_DS64_BYTES = 8 + 28
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
    layout = _layout(header.format, metadata, header.frames, rf64_above_bytes)
    target.write(layout.head)
    source.seek(header.data_offset_bytes)
    left = header.data_size_bytes
    while left:
        piece = source.read(min(COPY_BYTES, left))
        if not piece:
            raise PrepareError(f"the source has become {left} bytes shorter while it was copied")
        target.write(piece)
        left -= len(piece)
    target.write(layout.tail)


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
    layout = _layout(audio_format, metadata, frames, rf64_above_bytes)
    target.write(layout.head)
    written = 0
    for block in blocks:
        target.write(_encode(block, audio_format))
        written += block.frames
    if written != frames:
        raise PrepareError(f"{frames} frames were planned and {written} arrived")
    target.write(layout.tail)


@dataclass(frozen=True, slots=True)
class _Layout:
    """Everything around the sound, ready to be written."""

    head: bytes
    tail: bytes


def _layout(
    audio_format: AudioFormat, metadata: Metadata, frames: int, rf64_above_bytes: int
) -> _Layout:
    """Lay out a WAV, or an RF64 where the WAV would be larger than the limit."""
    align = audio_format.frame_bytes
    data_size = frames * align
    pad = b"\0" * (data_size & 1)
    bext = [chunk for chunk in metadata.chunks if chunk[0] == "bext"]
    rest = _chunks([chunk for chunk in metadata.chunks if chunk[0] != "bext"])
    fmt = _chunks([("fmt ", build_format(audio_format)), *_fact(audio_format, frames)])
    front = _chunks(bext) + fmt + rest
    riff_size = 4 + len(front) + 8 + data_size + len(pad)
    if riff_size + 8 <= rf64_above_bytes:
        start = struct.pack("<4sI4s", b"RIFF", riff_size, b"WAVE")
        return _Layout(start + front + struct.pack("<4sI", b"data", data_size), pad)
    front = _chunks([(name, _even(payload)) for name, payload in bext]) + fmt
    riff_size = 4 + _DS64_BYTES + len(front) + 8 + data_size + len(pad) + len(rest)
    ds64 = _chunks([("ds64", struct.pack("<QQQI", riff_size, data_size, frames, 0))])
    start = struct.pack("<4sI4s", b"RF64", UNKNOWN_SIZE, b"WAVE") + ds64
    return _Layout(start + front + struct.pack("<4sI", b"data", UNKNOWN_SIZE), pad + rest)


def _fact(audio_format: AudioFormat, frames: int) -> list[tuple[str, bytes]]:
    """Build the frame count that every format tag but plain PCM demands."""
    if audio_format.encoding != "float" and not is_extensible(audio_format):
        return []
    return [("fact", struct.pack("<I", min(frames, UNKNOWN_SIZE)))]


def _even(payload: bytes) -> bytes:
    return payload + b"\0" * (len(payload) & 1)


def _chunks(chunks: list[tuple[str, bytes]]) -> bytes:
    return b"".join(_chunk(name, payload) for name, payload in chunks)


def _chunk(name: str, payload: bytes) -> bytes:
    head = struct.pack("<4sI", name.encode("latin-1"), len(payload))
    return head + _even(payload)


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
