"""Headers as found in the field: what is legal stays silent, what is wrong is named."""

from __future__ import annotations

import struct

import pytest

from stemprep.containers import read_header
from stemprep.containers.faults import MAX_CHUNKS
from tests.containers.riff_builder import (
    chunk,
    extensible,
    faults_of,
    fmt,
    frames_read,
    header_of,
    riff,
    sound,
)

DATA = chunk(b"data", sound(1000))
ODD = chunk(b"data", sound(1001))
UNPADDED = chunk(b"data", sound(1001), pad=False)
NOTE = chunk(b"note", b"hello")
INFO = chunk(b"LIST", b"INFO" + chunk(b"INAM", b"Tallow Wharf\0"))
BEXT = chunk(b"bext", b"take".ljust(602, b"\0"))

REPAIR = ("header", "warn", "copy-audio")

LEGAL = {
    "plain": (riff(fmt(), DATA), 1000),
    "odd data, padded": (riff(fmt(), ODD), 1001),
    "odd data, padded, list": (riff(fmt(), ODD, INFO), 1001),
    "odd note": (riff(fmt(), NOTE, DATA), 1000),
    "everything before fmt": (riff(chunk(b"JUNK", bytes(28)), BEXT, INFO, fmt(), DATA), 1000),
    "bext behind the sound": (riff(fmt(), ODD, BEXT), 1001),
    "18 bytes of fmt": (riff(fmt(extra=b"\0\0"), DATA), 1000),
    "riff size without last pad": (riff(fmt(), ODD, size=4 + 24 + 8 + 3003), 1001),
}


@pytest.mark.parametrize("content", LEGAL.values(), ids=LEGAL.keys())
def test_legal_layouts_are_read_without_a_word(content: tuple[bytes, int]) -> None:
    """RIFF (1991): any order of chunks, a pad byte after odd ones."""
    file, frames = content
    header = header_of(file)
    assert header.faults == ()
    assert header.frames == header.declared_frames == frames_read(file) == frames


BROKEN_SIZES = {
    "data size 0": (riff(fmt(), chunk(b"data", sound(500), size=0), size=0), "size-placeholder"),
    "data size 0, riff right": (
        riff(fmt(), chunk(b"data", sound(500), size=0)),
        "size-placeholder",
    ),
    "data size -1": (
        riff(fmt(), chunk(b"data", sound(500), size=0xFFFFFFFF), size=0xFFFFFFFF),
        "size-placeholder",
    ),
    "streamed 2 GiB": (
        riff(fmt(), chunk(b"data", sound(500), size=0x7FFFF000), size=0x7FFFF024),
        "size-placeholder",
    ),
    "rf64 never closed": (
        riff(
            chunk(b"ds64", bytes(28)),
            fmt(),
            chunk(b"data", sound(500), size=0xFFFFFFFF),
            magic=b"RF64",
            size=0xFFFFFFFF,
        ),
        "size-placeholder",
    ),
    "riff size too small": (riff(fmt(), chunk(b"data", sound(500)), size=36), "riff-size"),
    "riff size 0": (riff(fmt(), chunk(b"data", sound(500)), size=0), "riff-size"),
    "riff size too large": (riff(fmt(), chunk(b"data", sound(500)), size=9999), "riff-size"),
    "block align": (riff(fmt(align=4), chunk(b"data", sound(500))), "block-align"),
    "partial frame": (riff(fmt(), chunk(b"data", sound(500) + b"x")), "partial-frame"),
    "note without pad": (
        riff(fmt(), chunk(b"note", b"hello", pad=False), chunk(b"data", sound(500))),
        "pad-missing",
    ),
    "valid bits": (
        riff(extensible(valid=25, mask=4), chunk(b"data", sound(500))),
        "valid-bits",
    ),
    "bext size too large": (
        riff(chunk(b"bext", bytes(602), size=999_999), fmt(), chunk(b"data", sound(500))),
        "chunk-size",
    ),
    "note size too small": (
        riff(chunk(b"note", bytes(602), size=300), fmt(), chunk(b"data", sound(500))),
        "chunk-size",
    ),
    "list behind the sound cut off": (
        riff(fmt(), chunk(b"data", sound(500)), INFO)[:-9],
        "chunk-cut",
    ),
}


@pytest.mark.parametrize("case", BROKEN_SIZES.values(), ids=BROKEN_SIZES.keys())
def test_wrong_headers_keep_their_sound_and_offer_a_repair(case: tuple[bytes, str]) -> None:
    file, code = case
    assert (faults_of(file)[0], len(faults_of(file))) == (
        (REPAIR[0], code, REPAIR[1], REPAIR[2]),
        1,
    )
    assert header_of(file).frames == frames_read(file) == 500


def test_unpadded_sound_in_front_of_a_list_does_not_lose_the_list() -> None:
    header = header_of(riff(fmt(), UNPADDED, INFO))
    assert [fault.code for fault in header.faults] == ["pad-missing"]
    assert header.info == (("INAM", "Tallow Wharf"),)
    assert header.frames == 1001


def test_missing_pad_at_the_very_end_is_only_a_note() -> None:
    assert faults_of(riff(fmt(), UNPADDED)) == [("header", "pad-missing", "note", None)]


def test_an_interrupted_recording_tells_its_broken_last_frame() -> None:
    """A 24-bit mono file cut in mid-sample with sizes never written: 500 frames and 2 bytes."""
    file = riff(fmt(), chunk(b"data", sound(500) + b"xy", size=0), size=0)
    header = header_of(file)
    assert (header.frames, header.declared_frames) == (500, None)
    assert "500 frames and 2 bytes of a broken last frame" in header.faults[0].message


@pytest.mark.parametrize("missing", [1, 2, 3, 16, 1400])
def test_sound_beyond_the_end_is_truncated_and_nothing_else(missing: int) -> None:
    header = header_of(riff(fmt(), DATA)[:-missing])
    (fault,) = header.faults
    assert (fault.check, fault.severity, fault.repair) == ("truncated", "fail", None)
    assert header.declared_frames == 1000
    assert header.frames == fault.start_sample == (3000 - missing) // 3
    assert "1000 frames" in fault.required


def test_a_lying_ds64_is_truncated() -> None:
    """ITU-R BS.2088: the 64-bit size holds where the 32-bit one is 0xFFFFFFFF."""
    ds64 = chunk(b"ds64", struct.pack("<QQQI", 99_999, 12_000, 4000, 0))
    data = chunk(b"data", sound(1000), size=0xFFFFFFFF)
    file = riff(ds64, fmt(), data, magic=b"BW64", size=0xFFFFFFFF)
    header = header_of(file)
    assert [fault.check for fault in header.faults] == ["truncated"]
    assert (header.declared_frames, header.frames) == (4000, 1000)
    assert header.format is not None
    assert header.format.container == "BW64"


IMPOSSIBLE = {
    "0 channels": (riff(fmt(channels=0), DATA), "header"),
    "65 channels": (riff(fmt(channels=65), DATA), "header"),
    "65535 channels": (riff(fmt(channels=65_535, align=3), DATA), "header"),
    "0 Hz": (riff(fmt(rate_hz=0), DATA), "header"),
    "17 Hz": (riff(fmt(rate_hz=17), DATA), "header"),
    "7999 Hz": (riff(fmt(rate_hz=7999), DATA), "header"),
    "384001 Hz": (riff(fmt(rate_hz=384_001), DATA), "header"),
    "0 bits": (riff(fmt(bits=0, align=3), DATA), "header"),
    "33 bits": (riff(fmt(bits=33), DATA), "header"),
    "16-bit float": (riff(fmt(tag=3, bits=16), DATA), "header"),
    "fmt of 14 bytes": (riff(chunk(b"fmt ", bytes(14)), DATA), "header"),
    "no fmt": (riff(DATA), "header"),
    "no data": (riff(fmt()), "unreadable"),
    "header only": (riff(fmt(), chunk(b"data", b"")), "unreadable"),
    "empty data in front of a list": (riff(fmt(), chunk(b"data", b""), INFO), "unreadable"),
    "less than a frame": (riff(fmt(), chunk(b"data", b"xy")), "unreadable"),
    "unknown sample format": (riff(fmt(tag=0x4242), DATA), "unreadable"),
    "no wave": (b"RIFF" + struct.pack("<I", 4) + b"AVI ", "unreadable"),
    "11 bytes": (riff(fmt(), DATA)[:11], "unreadable"),
    "0 bytes": (b"", "unreadable"),
    "zeros": (bytes(5000), "unreadable"),
    "text": (b"Take 3 was the good one.\n", "unreadable"),
}


@pytest.mark.parametrize("case", IMPOSSIBLE.values(), ids=IMPOSSIBLE.keys())
def test_impossible_headers_fail_once_and_name_the_field(case: tuple[bytes, str]) -> None:
    file, check = case
    header = header_of(file)
    assert [(fault.check, fault.severity) for fault in header.faults] == [(check, "fail")]
    assert not header.is_readable
    assert frames_read(file) == 0


@pytest.mark.parametrize(
    ("tag", "encoding", "words"),
    [
        (0x55, "lossy", "MPEG layer III"),
        (0x02, "lossy", "ADPCM"),
        (0x11, "lossy", "IMA ADPCM"),
        (0x06, "companded", "A-law"),
        (0x07, "companded", "mu-law"),
    ],
)
def test_lossy_sound_in_a_riff_shell(tag: int, encoding: str, words: str) -> None:
    """Format tags as registered in the format's public header file (from memory)."""
    header = header_of(riff(fmt(tag=tag, bits=8, extra=b"\0\0"), DATA))
    (fault,) = header.faults
    assert (fault.check, fault.severity, fault.found) == ("lossy-source", "fail", words)
    assert header.format is not None
    assert header.format.encoding == encoding


def test_bytes_behind_the_last_chunk() -> None:
    """Zeros are filler; anything else may be sound that the header does not count."""
    whole = riff(fmt(), DATA)
    assert faults_of(whole + bytes(600)) == []
    assert faults_of(whole + sound(200)) == [("header", "stray-bytes", "warn", None)]
    assert faults_of(whole + b"x") == [("header", "stray-bytes", "note", None)]


def test_no_more_chunks_than_the_limit_are_read() -> None:
    file = riff(fmt(), DATA, *[chunk(b"note", b"")] * (MAX_CHUNKS + 10))
    header = header_of(file)
    assert len(header.chunks) == MAX_CHUNKS
    assert [fault.code for fault in header.faults] == ["too-many-chunks"]
    assert header.frames == 1000


def test_metadata_over_the_limit_is_named_and_not_read() -> None:
    header = header_of(riff(fmt(), DATA, chunk(b"iXML", bytes(16_000_001))))
    assert [fault.code for fault in header.faults] == ["metadata-too-large"]
    assert header.ixml is None


def test_a_size_that_went_round_32_bits_means_sound_to_the_end() -> None:
    """A recording of over 4 GiB whose writer counted in 32 bits; the file here is a hole."""

    class Huge:
        """A stream of 4 GiB and a bit that holds nothing but its header."""

        def __init__(self) -> None:
            self._head = riff(fmt(), chunk(b"data", b"", size=999), size=1035)
            self._position = 0

        def seek(self, position: int) -> None:
            self._position = position

        def read(self, size: int) -> bytes:
            piece = self._head[self._position : self._position + size]
            self._position += size
            return piece.ljust(min(size, 1 << 20), b"\x81")

    size_bytes = 44 + 2**32 + 999
    header = read_header(Huge(), size_bytes, "long.wav")  # type: ignore[arg-type]
    assert [fault.code for fault in header.faults] == ["size-placeholder"]
    assert header.frames == (2**32 + 999) // 3


def test_valid_bits_and_mask_of_the_extensible_format() -> None:
    """WAVE_FORMAT_EXTENSIBLE: 20 valid bits in 24-bit containers, speaker mask 3."""
    file = riff(extensible(valid=20, mask=3, channels=2), chunk(b"data", sound(10, channels=2)))
    audio_format = header_of(file).format
    assert audio_format is not None
    assert (audio_format.bit_depth, audio_format.container_bits) == (20, 24)
    assert (audio_format.channel_mask, audio_format.encoding) == (3, "integer")


@pytest.mark.parametrize("length", [20, 131])
def test_a_wav_behind_an_id3_tag_is_read_and_told(length: int) -> None:
    tag = b"ID3\4\0\0" + bytes([0, 0, length >> 7, length & 0x7F]) + bytes(length)
    content = riff(fmt(), chunk(b"data", sound(1000)))
    header = header_of(tag + content)
    assert faults_of(tag + content) == [("header", "id3-in-front", "warn", "copy-audio")]
    assert (header.frames, header.data_offset_bytes) == (1000, len(tag) + 44)
    assert frames_read(tag + content) == 1000
    cut = [fault[1] for fault in faults_of(tag + content[:-300])]
    assert cut == ["data-beyond-end", "id3-in-front"]
