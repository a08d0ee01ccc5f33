"""What an Ogg file carries, by the first packet of its first stream.

Sources: RFC 3533 (Ogg), RFC 7845 (Opus), the Vorbis I and Ogg FLAC mappings (from memory).
"""

from __future__ import annotations

import struct

from stemprep.containers.coded_content import CodedContent

_PAGE_HEAD_BYTES = 27


def read_ogg(head: bytes) -> CodedContent:
    """Name the content from the file's first 512 bytes."""
    segments = head[26] if len(head) > 26 else 0
    packet = head[_PAGE_HEAD_BYTES + segments :]
    if packet[:7] == b"\x01vorbis" and len(packet) >= 16:
        channels, rate_hz = struct.unpack_from("<BI", packet, 11)
        return CodedContent(coding="Ogg Vorbis", sample_rate_hz=rate_hz, channels=channels)
    if packet[:8] == b"OpusHead" and len(packet) >= 10:
        return CodedContent(coding="Ogg Opus", sample_rate_hz=48_000, channels=packet[9])
    if packet[:5] == b"\x7fFLAC" or packet[:4] == b"fLaC":
        return CodedContent(coding="FLAC inside Ogg (lossless)", is_lossless=True)
    if packet[:8] == b"Speex   ":
        return CodedContent(coding="Ogg Speex")
    return CodedContent(coding="Ogg content of an unknown coding", is_known=False)
