"""The ``fmt `` chunk: what the samples of a RIFF file are.

Sources: WAVEFORMATEX and WAVE_FORMAT_EXTENSIBLE as published by the format's maker; limits: ours.
"""

from __future__ import annotations

import struct
from dataclasses import dataclass, replace
from typing import BinaryIO, Final

import numpy as np

from stemprep.containers import faults, sound_faults
from stemprep.containers.riff_chunks import read_at
from stemprep.containers.sound_range import DataRange
from stemprep.model.header import AudioFormat, HeaderFault
from stemprep.model.words import Container, Encoding

PCM: Final = 0x0001
IEEE_FLOAT: Final = 0x0003
EXTENSIBLE: Final = 0xFFFE
GUID_TAIL: Final = bytes.fromhex("000000001000800000AA00389B71")
"""Bytes 2-15 of every sub-format that is a plain format tag."""
_AMBISONIC_TAIL = bytes.fromhex("00002107D3118644C8C1CA000000")

COMPANDED: Final = {0x0006: "A-law", 0x0007: "mu-law"}
LOSSY: Final = {
    0x0002: "ADPCM",
    0x0011: "IMA ADPCM",
    0x0031: "GSM 6.10",
    0x0050: "MPEG layer I or II",
    0x0055: "MPEG layer III",
    0x0092: "AC-3",
    0x00FF: "AAC",
    0x0160: "Windows Media Audio",
    0x0161: "Windows Media Audio",
    0x0162: "Windows Media Audio",
    0x1600: "AAC",
    0x1610: "AAC",
    0x2000: "AC-3",
    0x674F: "Vorbis",
    0x6750: "Vorbis",
    0x6751: "Vorbis",
}

_WIDEST_WORD_BYTES: Final = 8
_LOOKED_AT_BYTES: Final = 1 << 16
_ANY_SPEAKERS: Final = 0x80000000
_INTEGER_BITS: Final = range(1, 33)
_FLOAT_BITS: Final = (32, 64)


@dataclass(frozen=True, slots=True)
class _Fields:
    """The chunk as it stands, GUID resolved to a tag."""

    tag: int
    channels: int
    rate_hz: int
    byte_rate: int
    block_align: int
    bits: int
    valid_bits: int
    mask: int | None


def parse_format(
    payload: bytes | None, container: Container
) -> tuple[AudioFormat | None, tuple[HeaderFault, ...]]:
    """Read a ``fmt `` payload; None with a fault where no sound could be read by it.

    payload: None where the file has no such chunk.
    """
    if payload is None:
        return None, (faults.impossible("fmt-missing", "no format at all", "a 'fmt ' chunk"),)
    fields = _fields(payload)
    if fields is None:
        short = f"a format chunk of {len(payload)} bytes"
        return None, (faults.impossible("fmt-short", short, "at least 16 bytes"),)
    fault = _impossible_field(fields)
    if fault is not None:
        return None, (fault,)
    if fields.tag in COMPANDED or fields.tag in LOSSY:
        return _coded(fields, container)
    return _linear(fields, container)


def in_known_words(
    stream: BinaryIO,
    payload: bytes | None,
    data: DataRange | None,
    form: AudioFormat | None,
    told: tuple[HeaderFault, ...],
) -> tuple[AudioFormat | None, tuple[HeaderFault, ...]]:
    """The same format and faults, or none with one fault where the layout of words is not known."""
    if payload is None or data is None or form is None:
        return form, told
    if form.encoding == "integer" and form.container_bits - form.bit_depth >= 8:
        return _in_upper_bits(stream, data, form, told)
    if not any(fault.code == "block-align" for fault in told):
        return form, told
    fault = _word_layout_fault(stream, payload, form, data)
    return (form, told) if fault is None else (None, (fault,))


def _in_upper_bits(
    stream: BinaryIO, data: DataRange, form: AudioFormat, told: tuple[HeaderFault, ...]
) -> tuple[AudioFormat | None, tuple[HeaderFault, ...]]:
    """Valid bits are the upper ones of a word; words that are never negative hold them below."""
    size, valid = form.container_bits // 8, -(-form.bit_depth // 8)
    stored = read_at(stream, data.offset, min(data.present, _LOOKED_AT_BYTES))
    words = np.frombuffer(stored[: len(stored) // size * size], np.uint8).reshape(-1, size)
    if words[:, valid:].any() or not (words[:, valid - 1] & 0x80).any():
        return form, told
    packed = form.channels * valid
    return None, (faults.word_layout(form.frame_bytes, packed, form.bit_depth, size),)


def _word_layout_fault(
    stream: BinaryIO, payload: bytes, form: AudioFormat, data: DataRange
) -> HeaderFault | None:
    """Tell of samples that lie, or may lie, in wider words than they need (24 bits in 4 bytes).

    Sound decides it: packed words use every byte of a frame of the stated size, padded ones leave
    one at zero or at their sign. None where the words are packed, whatever the frame size says.
    """
    (align,) = struct.unpack_from("<H", payload, 12)
    word_bytes, spare = divmod(align, form.channels)
    packed = form.container_bits // 8
    if spare or not packed < word_bytes <= _WIDEST_WORD_BYTES or data.present % align:
        return None
    places = (0, data.present // 2 // align * align, max(0, data.present - _LOOKED_AT_BYTES))
    for place in (each - each % align for each in places):
        size = min(_LOOKED_AT_BYTES, data.present - place)
        words = np.frombuffer(read_at(stream, data.offset + place, size - size % align), np.uint8)
        words = words.reshape(-1, word_bytes)
        high, low = words[:, packed:], words[:, : word_bytes - packed]
        if np.isin(high, (0, 0xFF)).all() or not low.any():
            continue
        return None
    return faults.word_layout(align, form.frame_bytes, form.container_bits, word_bytes)


def build_format(audio_format: AudioFormat) -> bytes:
    """Build a ``fmt `` payload: plain tag for mono and stereo, extensible where it says more."""
    align = audio_format.frame_bytes
    tag = IEEE_FLOAT if audio_format.encoding == "float" else PCM
    core = struct.pack(
        "<HHIIHH",
        EXTENSIBLE if is_extensible(audio_format) else tag,
        audio_format.channels,
        audio_format.sample_rate_hz,
        min(audio_format.sample_rate_hz * align, 0xFFFFFFFF),
        align,
        audio_format.container_bits,
    )
    if is_extensible(audio_format):
        guid = struct.pack("<H", tag) + GUID_TAIL
        extra = struct.pack("<HHI", 22, audio_format.bit_depth, audio_format.channel_mask or 0)
        return core + extra + guid
    return core + (b"\0\0" if tag == IEEE_FLOAT else b"")


def is_extensible(audio_format: AudioFormat) -> bool:
    """Tell whether the plain tag would lose something: mask, valid bits or more than stereo."""
    return (
        audio_format.channels > 2
        or audio_format.channel_mask is not None
        or audio_format.bit_depth != audio_format.container_bits
    )


def _fields(payload: bytes) -> _Fields | None:
    if len(payload) < 16:
        return None
    tag, channels, rate_hz, byte_rate, align, bits = struct.unpack_from("<HHIIHH", payload)
    valid, mask = bits, None
    if tag == EXTENSIBLE and len(payload) >= 40:
        valid, mask = struct.unpack_from("<HI", payload, 18)
        tag = _tag_of(payload[24:40])
    return _Fields(tag, channels, rate_hz, byte_rate, align, bits, valid or bits, mask)


def _tag_of(guid: bytes) -> int:
    """Format tag of a sub-format; the extensible tag itself (never valid here) where unknown."""
    is_known = guid[2:] in (GUID_TAIL, _AMBISONIC_TAIL)
    return struct.unpack_from("<H", guid)[0] if is_known else EXTENSIBLE


def _impossible_field(fields: _Fields) -> HeaderFault | None:
    fault = faults.out_of_range(fields.channels, fields.rate_hz)
    if fault is not None:
        return fault
    allowed = {PCM: _INTEGER_BITS, IEEE_FLOAT: _FLOAT_BITS}.get(fields.tag)
    if allowed is not None and fields.bits not in allowed:
        words = "32 or 64 bits" if fields.tag == IEEE_FLOAT else "1 to 32 bits"
        return faults.impossible("bits", f"{fields.bits} bits per sample", words)
    return None


def _coded(fields: _Fields, container: Container) -> tuple[AudioFormat, tuple[HeaderFault, ...]]:
    is_companded = fields.tag in COMPANDED
    name = COMPANDED.get(fields.tag) or LOSSY[fields.tag]
    encoding: Encoding = "companded" if is_companded else "lossy"
    return _audio_format(fields, container, encoding, fields.bits), (sound_faults.lossy(name),)


def _linear(
    fields: _Fields, container: Container
) -> tuple[AudioFormat | None, tuple[HeaderFault, ...]]:
    if fields.tag not in (PCM, IEEE_FLOAT):
        found = f"the unknown sample format 0x{fields.tag:04X}"
        return None, (faults.unreadable(found, "linear PCM or float"),)
    container_bits = -(-fields.bits // 8) * 8
    told = list(_contradictions(fields, container_bits))
    valid = fields.valid_bits
    if valid > container_bits:
        told.append(faults.valid_bits(valid, container_bits))
        valid = container_bits
    if not _is_mask_fitting(fields):
        told.append(faults.channel_mask(fields.mask or 0, fields.channels))
        fields = replace(fields, mask=None)
    encoding: Encoding = "float" if fields.tag == IEEE_FLOAT else "integer"
    depth = container_bits if encoding == "float" else valid
    return _audio_format(fields, container, encoding, depth, container_bits), tuple(told)


def _is_mask_fitting(fields: _Fields) -> bool:
    """One bit a channel; none at all and any arrangement say nothing that could be wrong."""
    mask = fields.mask
    return mask in (None, 0, _ANY_SPEAKERS) or mask.bit_count() == fields.channels


def _contradictions(fields: _Fields, container_bits: int) -> list[HeaderFault]:
    align = fields.channels * container_bits // 8
    if fields.block_align != align:
        return [faults.block_align(fields.block_align, align)]
    if fields.byte_rate != fields.rate_hz * align:
        return [faults.byte_rate(fields.byte_rate, fields.rate_hz * align)]
    return []


def _audio_format(
    fields: _Fields,
    container: Container,
    encoding: Encoding,
    bit_depth: int,
    container_bits: int | None = None,
) -> AudioFormat:
    return AudioFormat(
        container=container,
        encoding=encoding,
        sample_rate_hz=fields.rate_hz,
        channels=fields.channels,
        bit_depth=bit_depth,
        container_bits=fields.bits if container_bits is None else container_bits,
        channel_mask=fields.mask,
    )
