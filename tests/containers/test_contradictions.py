"""Chunks that come twice, too late or against each other: both readings are told."""

from __future__ import annotations

import struct

import pytest

from stemprep.model.header import Bext, HeaderFault
from tests.containers import other_builder as other
from tests.containers.riff_builder import chunk, extensible, fmt, header_of, riff, sound

STEREO = fmt(channels=2)
TWO_SECONDS = sound(96_000, channels=2)
SHORT = sound(480, channels=2)


def fault(content: bytes, code: str, name: str = "take.wav") -> HeaderFault:
    """The fault of this code; there must be one."""
    told = {fault.code: fault for fault in header_of(content, name).faults}
    assert code in told, sorted(told)
    return told[code]


def codes(content: bytes, name: str = "take.wav") -> set[str]:
    return {fault.code for fault in header_of(content, name).faults}


def data(content: bytes = SHORT) -> bytes:
    return chunk(b"data", content)


def bext(**fields: object) -> bytes:
    from stemprep.containers import build_bext

    return chunk(b"bext", build_bext(Bext(**fields)))  # type: ignore[arg-type]


def test_a_second_sound_chunk_is_never_left_out_silently() -> None:
    """RIFF (1991): a WAVE form holds one 'data' chunk; both lengths are told, nothing cures it."""
    told = fault(riff(STEREO, data(), data(TWO_SECONDS)), "second-data")
    assert (told.check, told.severity, told.repair) == ("header", "fail", None)
    assert "480" in told.message
    assert "96,000" in told.message


def test_a_second_sound_chunk_that_the_file_cuts_off_is_told_too() -> None:
    whole = riff(STEREO, data(), data(TWO_SECONDS))
    assert fault(whole[:-600], "second-data").severity == "fail"


def test_an_empty_second_sound_chunk_is_cured_by_a_copy() -> None:
    told = fault(riff(STEREO, data(), data(b"")), "second-data")
    assert (told.severity, told.repair) == ("warn", "copy-audio")


def test_a_second_sound_chunk_with_the_same_sound_is_cured_by_a_copy() -> None:
    told = fault(riff(STEREO, data(), data()), "second-data")
    assert (told.severity, told.repair) == ("warn", "copy-audio")


def test_sound_before_its_format_is_told() -> None:
    """RIFF (1991): the format chunk must always occur before the data chunk."""
    content = riff(data(), STEREO)
    told = fault(content, "chunk-order")
    assert (told.severity, told.repair) == ("warn", "copy-audio")
    assert header_of(content).frames == 480


@pytest.mark.parametrize("is_behind", [False, True])
def test_two_formats_that_contradict_each_other_are_told_with_both_readings(
    is_behind: bool,
) -> None:
    other_format = fmt(channels=2, rate_hz=44_100)
    chunks = (STEREO, data(), other_format) if is_behind else (STEREO, other_format, data())
    told = fault(riff(*chunks), "second-format")
    assert (told.severity, told.repair) == ("fail", None)
    assert "48,000 Hz" in told.message
    assert "44,100 Hz" in told.message


def test_the_same_format_twice_is_a_note() -> None:
    longer = fmt(channels=2, extra=b"\0\0")
    for twin in (STEREO, longer):
        told = fault(riff(STEREO, twin, data()), "second-format")
        assert told.severity == "note"


def test_two_broadcast_headers_with_different_starts_are_told_with_both_readings() -> None:
    first = bext(time_reference_samples=48_000 * 3600)
    second = bext(time_reference_samples=48_000 * 3602)
    told = fault(riff(first, second, STEREO, data()), "second-bext")
    assert (told.severity, told.repair) == ("fail", None)
    assert "172,800,000" in told.message
    assert "172,896,000" in told.message


def test_two_broadcast_headers_that_agree_on_the_start_are_a_warning() -> None:
    told = fault(riff(bext(), bext(description="take 4"), STEREO, data()), "second-bext")
    assert told.severity == "warn"
    assert fault(riff(bext(), bext(), STEREO, data()), "second-bext").severity == "note"


@pytest.mark.parametrize("identifier", [b"iXML", b"cue ", b"fact", b"smpl", b"cart"])
def test_metadata_that_comes_twice_is_told(identifier: bytes) -> None:
    twice = chunk(identifier, b"\1\0\0\0") + chunk(identifier, b"\2\0\0\0")
    assert fault(riff(STEREO, twice, data()), "second-chunk").severity == "warn"


def test_lists_of_different_kinds_and_filling_may_come_as_often_as_they_like() -> None:
    info = chunk(b"LIST", b"INFO" + chunk(b"INAM", b"take"))
    labels = chunk(b"LIST", b"adtl" + chunk(b"labl", b"\1\0\0\0A\0"))
    filling = chunk(b"JUNK", bytes(28)) + chunk(b"PAD ", bytes(6)) + chunk(b"JUNK", bytes(4))
    assert codes(riff(filling, STEREO, info, labels, data())) == set()


@pytest.mark.parametrize(
    ("channels", "mask", "is_told"),
    [
        (2, 0x3, False),
        (2, 0, False),  # no loudspeaker assigned: legal, and usual in files of many channels
        (2, 0x80000000, False),  # any arrangement
        (1, 0x4, False),
        (6, 0x3F, False),
        (2, 0x1, True),
        (2, 0xFFFFFFFF, True),
        (1, 0x3, True),
        (6, 0x3, True),
    ],
)
def test_a_channel_mask_that_does_not_fit_the_channels(
    channels: int, mask: int, is_told: bool
) -> None:
    """WAVEFORMATEXTENSIBLE, dwChannelMask: one bit a channel (from memory)."""
    form = extensible(valid=24, mask=mask, channels=channels, bits=24)
    content = riff(form, data(sound(480, channels=channels)))
    assert ("channel-mask" in codes(content)) is is_told
    if is_told:
        told = fault(content, "channel-mask")
        assert (told.severity, told.repair) == ("warn", "copy-audio")
        made = header_of(content).format
        assert made is not None
        assert made.channel_mask is None, "a copy must not carry it on"


def rf64(*chunks: bytes, stated: int, size_bytes: int = 0xFFFFFFFF) -> bytes:
    ds64 = chunk(b"ds64", struct.pack("<QQQI", 0, stated, 480, 0))
    return riff(
        ds64, *chunks, chunk(b"data", SHORT, size=size_bytes), magic=b"RF64", size=2**32 - 1
    )


def test_rf64_whose_two_sizes_of_the_sound_differ_is_told_with_both() -> None:
    """EBU Tech 3306: the 64-bit size counts where the 32-bit one is 0xFFFFFFFF."""
    assert "data-size" not in codes(rf64(STEREO, stated=len(SHORT)))
    told = fault(rf64(STEREO, stated=len(SHORT) // 2, size_bytes=len(SHORT)), "data-size")
    assert f"{len(SHORT):,}" in told.message
    assert f"{len(SHORT) // 2:,}" in told.message


def test_rf64_without_its_sizes_is_named() -> None:
    content = riff(STEREO, chunk(b"data", SHORT, size=2**32 - 1), magic=b"RF64", size=2**32 - 1)
    told = fault(content, "ds64-missing")
    assert (told.severity, told.repair) == ("warn", "copy-audio")
    assert header_of(content).frames == 480


def test_two_formats_of_an_aiff_are_told_with_both_readings() -> None:
    second = struct.pack(">HIH", 1, 480, 24) + bytes.fromhex("400eac44000000000000")
    content = other.aiff(sound(480), frames=480, between=other.iff(b"COMM", second))
    told = fault(content, "second-format", "take.aiff")
    assert (told.severity, told.repair) == ("fail", None)
    assert "48,000 Hz" in told.message
    assert "44,100 Hz" in told.message


def test_a_second_sound_chunk_of_an_aiff_is_told() -> None:
    second = other.iff(b"SSND", bytes(8) + sound(960))
    content = other.aiff(sound(480), frames=480, behind=second)
    told = fault(content, "second-data", "take.aiff")
    assert (told.severity, told.repair) == ("fail", None)
    assert "960" in told.message


def caf_chunk(identifier: bytes, payload: bytes) -> bytes:
    return identifier + struct.pack(">q", len(payload)) + payload


def caf_desc(rate_hz: float = 48_000.0) -> bytes:
    return caf_chunk(b"desc", struct.pack(">d4sIIIII", rate_hz, b"lpcm", 0, 3, 1, 1, 24))


def caf_data(frames: int) -> bytes:
    return caf_chunk(b"data", bytes(4) + sound(frames))


CAF_HEAD = b"caff" + struct.pack(">HH", 1, 0)


@pytest.mark.parametrize(
    ("chunks", "code", "severity"),
    [
        ((caf_desc(), caf_desc(44_100.0), caf_data(480)), "second-format", "fail"),
        ((caf_desc(), caf_desc(), caf_data(480)), "second-format", "note"),
        ((caf_desc(), caf_data(480), caf_data(960)), "second-data", "fail"),
        ((caf_data(480), caf_desc()), "chunk-order", "warn"),
    ],
)
def test_caf(chunks: tuple[bytes, ...], code: str, severity: str) -> None:
    """CAF 1.0: 'desc' first, each of 'desc' and 'data' once (from memory)."""
    assert fault(CAF_HEAD + b"".join(chunks), code, "take.caf").severity == severity


def w64(*chunks: bytes) -> bytes:
    body = b"wave" + other.W64_TAIL + b"".join(chunks)
    return other.W64_RIFF + struct.pack("<Q", 24 + len(body)) + body


W64_FORMAT = other.w64_chunk(b"fmt ", STEREO[8:])


@pytest.mark.parametrize(
    ("chunks", "code", "severity"),
    [
        (
            (W64_FORMAT, other.w64_chunk(b"fmt ", fmt(channels=2, rate_hz=44_100)[8:]), b"DATA"),
            "second-format",
            "fail",
        ),
        ((W64_FORMAT, b"DATA", other.w64_chunk(b"data", TWO_SECONDS)), "second-data", "fail"),
        ((b"DATA", W64_FORMAT), "chunk-order", "warn"),
    ],
)
def test_w64(chunks: tuple[bytes, ...], code: str, severity: str) -> None:
    whole = [other.w64_chunk(b"data", SHORT) if part == b"DATA" else part for part in chunks]
    assert fault(w64(*whole), code, "take.w64").severity == severity


def wide(values: list[int]) -> bytes:
    """24-bit values in 4 bytes each, the highest byte unused."""
    return b"".join(value.to_bytes(3, "little", signed=True) + b"\0" for value in values)


RISING = [(-1) ** n * n * 9973 % 8_000_000 - 4_000_000 for n in range(960)]


@pytest.mark.parametrize("is_extensible", [False, True])
def test_words_in_wider_frames_are_refused_with_both_readings(is_extensible: bool) -> None:
    """24 bits in frames of 4 bytes a channel: programs differ in what they make of it."""
    form = (
        extensible(valid=22, mask=3, channels=2, bits=24, align=8)
        if is_extensible
        else fmt(channels=2, align=8)
    )
    content = riff(form, data(wide(RISING)))
    told = fault(content, "word-layout")
    assert (told.severity, told.repair) == ("fail", None)
    assert "8 bytes" in told.message
    assert "6" in told.message
    assert header_of(content).format is None


def test_a_wrong_frame_size_around_packed_words_is_still_only_a_wrong_header() -> None:
    content = riff(fmt(channels=2, align=8), data(sound(960, channels=2)))
    assert fault(content, "block-align").severity == "warn"
    assert header_of(content).frames == 960


def test_silence_in_frames_of_another_size_decides_nothing() -> None:
    assert fault(riff(fmt(channels=2, align=8), data(bytes(4800))), "word-layout")
    assert fault(riff(fmt(channels=2, align=8), data(bytes(4806))), "block-align")


def test_valid_bits_that_lie_in_the_lower_part_of_their_words_are_refused() -> None:
    """WAVEFORMATEXTENSIBLE: valid bits are left-justified in their container (from memory)."""
    form = extensible(valid=24, mask=3, channels=2, bits=32)
    assert fault(riff(form, data(wide(RISING))), "word-layout").severity == "fail"
    upper = b"".join(b"\0" + value.to_bytes(3, "little", signed=True) for value in RISING)
    assert codes(riff(form, data(upper))) == set()
