"""Frames of MPEG audio (ISO/IEC 11172-3 and 13818-3, from memory) and of ADTS (13818-7)."""

from __future__ import annotations

import re
from dataclasses import dataclass
from typing import Final

from stemprep.containers.coded_content import CodedContent

SEARCH_BYTES: Final = 65_536
_SYNC: Final = re.compile(b"\xff[\xe0-\xff]")
_MAX_HITS: Final = 2000

_LAYERS: Final = {3: "I", 2: "II", 1: "III"}
_MPEG1_KBPS: Final = {
    "I": tuple(range(32, 449, 32)),
    "II": (32, 48, 56, 64, 80, 96, 112, 128, 160, 192, 224, 256, 320, 384),
    "III": (32, 40, 48, 56, 64, 80, 96, 112, 128, 160, 192, 224, 256, 320),
}
_MPEG2_KBPS: Final = {
    "I": (32, 48, 56, 64, 80, 96, 112, 128, 144, 160, 176, 192, 224, 256),
    "II": (8, 16, 24, 32, 40, 48, 56, 64, 80, 96, 112, 128, 144, 160),
    "III": (8, 16, 24, 32, 40, 48, 56, 64, 80, 96, 112, 128, 144, 160),
}
_MPEG1_HZ: Final = (44_100, 48_000, 32_000)
_ADTS_HZ: Final = (
    96_000, 88_200, 64_000, 48_000, 44_100, 32_000, 24_000,
    22_050, 16_000, 12_000, 11_025, 8_000, 7_350,
)  # fmt: skip


@dataclass(frozen=True, slots=True)
class CodedFrame:
    """What one frame header says, and the length of the whole frame."""

    content: CodedContent
    size_bytes: int

    def is_like(self, other: CodedFrame) -> bool:
        """Tell whether both belong to one stream; channels may change from frame to frame."""
        ours, theirs = self.content, other.content
        return (ours.coding, ours.sample_rate_hz) == (theirs.coding, theirs.sample_rate_hz)


def is_sync(head: bytes) -> bool:
    """Tell whether bytes may start a frame; two frames in a row prove it."""
    return _frame(head) is not None


def find_frames(content: bytes) -> CodedFrame | None:
    """First frame that another of the same kind follows directly; None where there is none."""
    for count, match in enumerate(_SYNC.finditer(content)):
        if count >= _MAX_HITS:
            break
        frame = frame_pair(content, match.start())
        if frame is not None:
            return frame
    return None


def frame_pair(content: bytes, position: int) -> CodedFrame | None:
    """Frame at a position, where another of the same coding and rate follows it."""
    first = _frame(content[position : position + 7])
    if first is None:
        return None
    behind = position + first.size_bytes
    second = _frame(content[behind : behind + 7])
    return first if second is not None and second.is_like(first) else None


def _frame(head: bytes) -> CodedFrame | None:
    if len(head) < 4 or head[0] != 0xFF or head[1] & 0xE0 != 0xE0:
        return None
    if head[1] & 0xF6 == 0xF0:
        return _adts(head)
    return _mpeg(head)


def _mpeg(head: bytes) -> CodedFrame | None:
    version, layer = head[1] >> 3 & 3, _LAYERS.get(head[1] >> 1 & 3)
    rate_code, bitrate_code = head[2] >> 2 & 3, head[2] >> 4
    if version == 1 or layer is None or rate_code == 3 or bitrate_code in (0, 15):
        return None
    is_first = version == 3
    rate_hz = _MPEG1_HZ[rate_code] // {3: 1, 2: 2, 0: 4}[version]
    kbps = (_MPEG1_KBPS if is_first else _MPEG2_KBPS)[layer][bitrate_code - 1]
    padding = head[2] >> 1 & 1
    if layer == "I":
        size = (12_000 * kbps // rate_hz + padding) * 4
    else:
        slots = 144_000 if is_first or layer == "II" else 72_000
        size = slots * kbps // rate_hz + padding
    name = "MPEG layer III (MP3)" if layer == "III" else f"MPEG layer {layer}"
    return _coded(name, rate_hz, 1 if head[3] >> 6 == 3 else 2, size)


def _adts(head: bytes) -> CodedFrame | None:
    rate_code = head[2] >> 2 & 15
    if len(head) < 7 or rate_code >= len(_ADTS_HZ):
        return None
    channels = (head[2] & 1) << 2 | head[3] >> 6
    size = (head[3] & 3) << 11 | head[4] << 3 | head[5] >> 5
    channels = {0: 1, 7: 8}.get(channels, channels)
    return _coded("AAC (ADTS)", _ADTS_HZ[rate_code], channels, size) if size > 7 else None


def _coded(coding: str, rate_hz: int, channels: int, size_bytes: int) -> CodedFrame:
    content = CodedContent(coding=coding, sample_rate_hz=rate_hz, channels=channels)
    return CodedFrame(content, size_bytes)
