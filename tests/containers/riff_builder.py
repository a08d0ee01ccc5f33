"""RIFF files made by hand, byte by byte, with whatever fault a test needs."""

from __future__ import annotations

import io
import struct

import numpy as np

from stemprep.containers import read_blocks, read_header
from stemprep.model.header import Header


def chunk(identifier: bytes, payload: bytes, *, size: int | None = None, pad: bool = True) -> bytes:
    """Make one chunk; ``size`` lies about the payload, ``pad=False`` leaves the pad byte out."""
    stated = len(payload) if size is None else size
    return identifier + struct.pack("<I", stated) + payload + b"\0" * (len(payload) & pad)


def fmt(
    *,
    tag: int = 1,
    channels: int = 1,
    rate_hz: int = 48_000,
    bits: int = 24,
    align: int | None = None,
    extra: bytes = b"",
) -> bytes:
    """Make a ``fmt `` chunk of 16 bytes plus ``extra``."""
    align = channels * -(-bits // 8) if align is None else align
    rate = (rate_hz * align) & 0xFFFFFFFF
    core = struct.pack("<HHIIHH", tag, channels, rate_hz, rate, align, bits)
    return chunk(b"fmt ", core + extra)


def extensible(*, valid: int, mask: int, tag: int = 1, **fields: int) -> bytes:
    """Make a WAVE_FORMAT_EXTENSIBLE ``fmt `` chunk with the published sub-format GUIDs."""
    guid = struct.pack("<H", tag) + bytes.fromhex("000000001000800000AA00389B71")
    return fmt(tag=0xFFFE, extra=struct.pack("<HHI", 22, valid, mask) + guid, **fields)


def riff(*chunks: bytes, size: int | None = None, magic: bytes = b"RIFF") -> bytes:
    """Put the outer chunk around the others; ``size`` lies about it."""
    body = b"WAVE" + b"".join(chunks)
    return magic + struct.pack("<I", len(body) if size is None else size) + body


def sound(frames: int, *, channels: int = 1, bits: int = 24) -> bytes:
    """Make random bytes as sound: every code is as likely as any other."""
    count = frames * channels * bits // 8
    return np.random.default_rng(frames).integers(0, 256, count, np.uint8).tobytes()


def header_of(content: bytes, name: str = "take.wav") -> Header:
    """Read the header of a file in memory."""
    return read_header(io.BytesIO(content), len(content), name)


def faults_of(content: bytes) -> list[tuple[str, str, str, str | None]]:
    """List check, code, severity and repair of every fault."""
    return [(f.check, f.code, f.severity, f.repair) for f in header_of(content).faults]


def frames_read(content: bytes, block_frames: int = 65_536) -> int:
    """Count the frames of a whole pass; demand that every byte is seen once, in order."""
    seen = bytearray()
    stream = io.BytesIO(content)
    header = read_header(stream, len(content), "take.wav")
    blocks = read_blocks(stream, header, lambda piece: seen.extend(bytes(piece)), block_frames)
    frames = sum(block.frames for block in blocks)
    assert bytes(seen) == content
    return frames
