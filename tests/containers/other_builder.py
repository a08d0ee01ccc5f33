"""Builders of AIFF, CAF, W64 and FLAC files, byte by byte and without the code under test."""

from __future__ import annotations

import hashlib
import io
import struct

import numpy as np
import numpy.typing as npt
import soundfile

from stemprep.containers import read_blocks, read_header
from stemprep.dsp.block import SoundBlock
from stemprep.model.header import Header

EXTENDED_48000 = bytes.fromhex("400ebb80000000000000")
W64_TAIL = bytes.fromhex("f3acd3118cd100c04f8edb8a")
W64_RIFF = b"riff" + bytes.fromhex("2e91cf11a5d628db04c10000")


def library_file(
    container: str, subtype: str, values: npt.NDArray[np.generic], **more: str
) -> bytes:
    """A file that the reference library writes; values of shape (frames, channels)."""
    target = io.BytesIO()
    soundfile.write(target, values, 48_000, format=container, subtype=subtype, **more)
    return target.getvalue()


def codes(bits: int, frames: int = 1001, channels: int = 2) -> npt.NDArray[np.int32]:
    """Random left-justified codes, full scale both ways among them."""
    values = np.random.default_rng(bits).integers(-(2**31), 2**31, (frames, channels))
    values[:2, :] = [[2**31 - 1], [-(2**31)]]
    return values.astype(np.int32) & np.int32(-1 << (32 - bits))


def read(
    content: bytes, name: str = "take", block_frames: int = 65_536
) -> tuple[Header, list[SoundBlock]]:
    """Header and blocks; demands that every byte came by once and in order."""
    stream = io.BytesIO(content)
    header = read_header(stream, len(content), name)
    seen = bytearray()
    blocks = list(read_blocks(stream, header, seen.extend, block_frames))
    assert bytes(seen) == content
    return header, blocks


def header_of(content: bytes, name: str = "take") -> Header:
    """Only the header."""
    return read_header(io.BytesIO(content), len(content), name)


def told(header: Header) -> set[tuple[str, str, str]]:
    """What a header is charged with: check, code, severity."""
    return {(fault.check, fault.code, fault.severity) for fault in header.faults}


def iff(identifier: bytes, payload: bytes, size: int | None = None) -> bytes:
    """One AIFF chunk with its pad byte."""
    stated = len(payload) if size is None else size
    return struct.pack(">4sI", identifier, stated) + payload + b"\0" * (len(payload) & 1)


def aiff(
    sound: bytes,
    *,
    frames: int,
    channels: int = 1,
    bits: int = 24,
    code: bytes | None = None,
    rate: bytes = EXTENDED_48000,
    sound_size: int | None = None,
    between: bytes = b"",
    behind: bytes = b"",
    form_size: int | None = None,
) -> bytes:
    """An AIFF, or an AIFC where a sample code is given."""
    common = struct.pack(">HIH", channels, frames, bits) + rate
    kind = b"AIFF" if code is None else b"AIFC"
    common += b"" if code is None else code + b"\1x"
    size = 8 + len(sound) if sound_size is None else sound_size
    body = kind + iff(b"COMM", common) + between + iff(b"SSND", bytes(8) + sound, size) + behind
    return struct.pack(">4sI", b"FORM", len(body) if form_size is None else form_size) + body


def caf(
    sound: bytes,
    *,
    channels: int = 1,
    bits: int = 24,
    flags: int = 0,
    code: bytes = b"lpcm",
    rate_hz: float = 48_000.0,
    packet_bytes: int | None = None,
    sound_size: int | None = None,
    between: bytes = b"",
) -> bytes:
    """A CAF; big-endian integers unless the flags say otherwise (1 float, 2 little-endian)."""
    packet = channels * bits // 8 if packet_bytes is None else packet_bytes
    description = struct.pack(">d4sIIIII", rate_hz, code, flags, packet, 1, channels, bits)
    size = 4 + len(sound) if sound_size is None else sound_size
    return (
        b"caff\0\1\0\0"
        + struct.pack(">4sq", b"desc", 32)
        + description
        + between
        + struct.pack(">4sqI", b"data", size, 0)
        + sound
    )


def w64_chunk(identifier: bytes, payload: bytes, size: int | None = None) -> bytes:
    """One W64 chunk, filled up to a multiple of 8 bytes."""
    stated = 24 + len(payload) if size is None else size
    return identifier + W64_TAIL + struct.pack("<Q", stated) + payload + bytes(-len(payload) % 8)


def w64(
    sound: bytes,
    *,
    channels: int = 1,
    bits: int = 24,
    sound_size: int | None = None,
    between: bytes = b"",
    riff_size: int | None = None,
) -> bytes:
    """A W64 with plain integer PCM."""
    align = channels * bits // 8
    fmt = struct.pack("<HHIIHH", 1, channels, 48_000, 48_000 * align, align, bits)
    body = w64_chunk(b"fmt ", fmt) + between + w64_chunk(b"data", sound, sound_size)
    size = 40 + len(body) if riff_size is None else riff_size
    return W64_RIFF + struct.pack("<Q", size) + b"wave" + W64_TAIL + body


def flac(
    values: npt.NDArray[np.int64],
    bits: int,
    *,
    block: int = 192,
    total: int | None = None,
    md5: bytes | None = None,
    in_front: bytes = b"",
) -> bytes:
    """A FLAC of verbatim subframes (RFC 9639, 9.2.2); values (frames, channels), not shifted.

    Bits from 4 to 32: samples are written bit by bit, the rest of a last byte is filled with zeros.
    """
    frames, channels = values.shape
    width = -(-bits // 8)
    stored = values.astype("<i4").view(np.uint8).reshape(frames, channels, 4)[..., :width]
    digest = hashlib.md5(stored.tobytes(), usedforsecurity=False).digest() if md5 is None else md5
    counted = frames if total is None else total
    packed = 48_000 << 44 | (channels - 1) << 41 | (bits - 1) << 36 | counted
    info = struct.pack(">HH6x", block, block) + packed.to_bytes(8, "big") + digest
    sound = b"".join(
        _flac_frame(values[start : start + block], start // block, bits)
        for start in range(0, frames, block)
    )
    return b"fLaC\0\0\0\x22" + info + in_front + b"\x81\0\0\4\0\0\0\0" + sound


def _flac_frame(values: npt.NDArray[np.int64], number: int, bits: int) -> bytes:
    frames, channels = values.shape
    size_code = {8: 1, 12: 2, 16: 4, 20: 5, 24: 6, 32: 7}.get(bits, 0)
    coded = chr(number).encode("utf-8")
    head = bytes([0xFF, 0xF8, 0x70, (channels - 1) << 4 | size_code << 1]) + coded
    head += struct.pack(">H", frames - 1)
    head += bytes([crc(head, 8, 0x07)])
    places = np.arange(bits)[::-1]
    subframes = []
    for channel in range(channels):
        subframes += [np.array([0, 0, 0, 0, 0, 0, 1, 0], np.uint8)]
        subframes += [(values[:, channel, None] >> places & 1).astype(np.uint8).reshape(-1)]
    body = np.packbits(np.concatenate(subframes)).tobytes()
    return head + body + crc(head + body, 16, 0x8005).to_bytes(2, "big")


def crc(content: bytes, width: int, polynomial: int) -> int:
    """Bit by bit, as the definition says."""
    value = 0
    for byte in content:
        value ^= byte << (width - 8)
        for _ in range(8):
            top = value >> (width - 1) & 1
            value = (value << 1 ^ (polynomial if top else 0)) & ((1 << width) - 1)
    return value
