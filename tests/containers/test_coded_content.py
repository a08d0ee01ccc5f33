"""Lossy and foreign content: recognised by what it is, named in words, whatever its name."""

from __future__ import annotations

import struct

import numpy as np
import pytest

from stemprep.containers.mpeg import find_frames, frame_pair
from stemprep.model.header import Header
from tests.containers.other_builder import codes, header_of, library_file, read, told
from tests.containers.riff_builder import chunk as riff_chunk
from tests.containers.riff_builder import fmt, riff, sound

LOSSY = {("lossy-source", "lossy-encoding", "fail")}
UNSUPPORTED = {("unreadable", "unsupported-coding", "fail")}
TONE = (0.5 * np.sin(np.arange(24_000) * 0.05))[:, np.newaxis].repeat(2, axis=1)


def box(kind: bytes, payload: bytes, size: int | None = None) -> bytes:
    """One box of an MP4 file."""
    return struct.pack(">I", 8 + len(payload) if size is None else size) + kind + payload


def mp4(coding: bytes) -> bytes:
    """The boxes down to one sample description (ISO/IEC 14496-12, from memory)."""
    entry = box(coding, bytes(6) + b"\0\1" + bytes(8) + struct.pack(">HHIHH", 2, 16, 0, 44_100, 0))
    table = box(b"stbl", box(b"stsd", struct.pack(">II", 0, 1) + entry))
    index = box(b"moov", box(b"trak", box(b"mdia", box(b"minf", table))))
    return box(b"ftyp", b"M4A \0\0\0\0") + box(b"mdat", bytes(100)) + index


def adts(frames: int) -> bytes:
    """ADTS frames of 44.1 kHz stereo (ISO/IEC 13818-7, from memory), contents of no meaning."""
    size = 7 + 50
    head = bytes(
        [0xFF, 0xF1, 0x50, 0x80 | size >> 11, size >> 3 & 0xFF, (size & 7) << 5 | 31, 0xFC]
    )
    return (head + bytes(50)) * frames


def form(header: Header) -> tuple[str, int, int]:
    assert header.format is not None
    assert header.format.encoding == "lossy"
    return header.format.container, header.format.sample_rate_hz, header.format.channels


@pytest.mark.parametrize("name", ["vox.wav", "vox.mp3", "vox"])
def test_mpeg_layer_iii(name: str) -> None:
    """Written by the reference library; also behind an ID3 tag."""
    content = library_file("MP3", "MPEG_LAYER_III", TONE)
    for candidate in (content, b"ID3\4\0\0\0\0\1\2" + bytes(130) + content):
        header = header_of(candidate, name)
        assert told(header) == LOSSY
        assert "MPEG layer III" in header.faults[0].message
        assert form(header) == ("MP3", 48_000, 2)
        assert read(candidate, name)[1] == []


@pytest.mark.parametrize(("subtype", "words"), [("VORBIS", "Ogg Vorbis"), ("OPUS", "Ogg Opus")])
def test_ogg(subtype: str, words: str) -> None:
    header, blocks = read(library_file("OGG", subtype, TONE), "keys.wav")
    assert told(header) == LOSSY
    assert words in header.faults[0].message
    assert form(header) == ("OGG", 48_000, 2)
    assert blocks == []


def test_flac_inside_ogg_is_lossless_and_not_accepted() -> None:
    page = b"OggS\0\2" + bytes(20) + b"\1\x33" + b"\x7fFLAC\1\0\0\1fLaC" + bytes(38)
    header = header_of(page)
    assert told(header) == UNSUPPORTED
    assert "FLAC inside Ogg" in header.faults[0].message


@pytest.mark.parametrize(
    ("coding", "expected", "words"),
    [
        (b"mp4a", LOSSY, "AAC"),
        (b"alac", UNSUPPORTED, "ALAC"),
        (b"zzzz", LOSSY, "MP4/M4A content"),
    ],
)
def test_mp4(coding: bytes, expected: set[tuple[str, str, str]], words: str) -> None:
    header = header_of(mp4(coding), "bass.wav")
    assert told(header) == expected
    assert words in header.faults[0].message
    if coding == b"mp4a":
        assert form(header) == ("MP4", 44_100, 2)


@pytest.mark.parametrize("size", [0, 1, 7, 2**32 - 1])
def test_boxes_that_lead_nowhere(size: int) -> None:
    content = box(b"ftyp", b"M4A \0\0\0\0") + box(b"free", bytes(20), size)
    assert told(header_of(content)) == LOSSY


def test_adts() -> None:
    header = header_of(adts(3))
    assert told(header) == LOSSY
    assert form(header) == ("unknown", 44_100, 2)
    assert "AAC" in header.faults[0].message
    assert read(adts(3))[1] == []


def test_one_frame_header_proves_nothing() -> None:
    """Chance bytes look like a frame header once in a few thousand; a second one must follow."""
    assert told(header_of(adts(1))) == {("unreadable", "unknown-content", "fail")}
    assert told(header_of(b"\xff\xfb\x94\x64" + bytes(2000))) == {
        ("unreadable", "unknown-content", "fail")
    }


@pytest.mark.parametrize(
    ("head", "words", "size_bytes", "rate_hz"),
    [
        ("fffb9064", "MPEG layer III (MP3)", 417, 44_100),
        ("fffd8004", "MPEG layer II", 417, 44_100),
        ("fff38064", "MPEG layer III (MP3)", 208, 22_050),
        ("ffff9000", "MPEG layer I", 312, 44_100),
    ],
)
def test_frame_lengths(head: str, words: str, size_bytes: int, rate_hz: int) -> None:
    """144 x bit rate / sample rate (layer I: 12, times 4; MPEG-2 layer III: 72), rounded down."""
    frame = bytes.fromhex(head).ljust(size_bytes, b"\0")
    found = frame_pair(frame * 2, 0)
    assert found is not None
    assert (found.content.coding, found.size_bytes) == (words, size_bytes)
    assert found.content.sample_rate_hz == rate_hz
    assert find_frames(bytes(99) + frame * 2) == found


@pytest.mark.parametrize(
    ("content", "check", "words"),
    [
        (b"", "unreadable", "0 bytes"),
        (bytes(100), "unreadable", "zero bytes"),
        (b"PK\3\4" + bytes(60), "unreadable", "zip"),
        (b"%PDF-1.7\n" + bytes(60), "unreadable", "PDF"),
        (b'<?xml version="1.0"?>' + bytes(60), "unreadable", "session"),
        (b"take 3 was the good one", "unreadable", "plain text"),
        (b"MThd\0\0\0\6", "unreadable", "MIDI"),
        (b"\xf0\x7e\0\1" + bytes(60), "unreadable", "SDS"),
        (b"Creative Voice File\x1a" + bytes(60), "unreadable", "VOC"),
        (b"RIFX\0\0\0\0AVI ", "unreadable", "RIFX"),
        (b"FORM\0\0\0\x048SVX", "unreadable", "8SVX"),
        (b"\x01\x02\x03\x04" * 20, "unreadable", "01 02 03 04"),
        (bytes.fromhex("3026b2758e66cf11a6d900aa0062ce6c"), "lossy-source", "WMA"),
        (b"#!AMR\n" + bytes(60), "lossy-source", "AMR"),
        (b"ID3\4\0\0\0\0\0\0%PDF", "unreadable", "PDF"),
    ],
)
def test_foreign_content_is_named(content: bytes, check: str, words: str) -> None:
    header, blocks = read(content, "take.wav")
    assert [(fault.check, fault.severity) for fault in header.faults] == [(check, "fail")]
    assert words in header.faults[0].message
    assert header.format is None
    assert blocks == []


def test_au_is_named() -> None:
    assert told(header_of(library_file("AU", "PCM_24", codes(24)))) == UNSUPPORTED


@pytest.mark.parametrize(
    ("name", "container", "is_told"),
    [
        ("Kick.wav", "WAV", False),
        ("Kick.aif", "WAV", True),
        ("Kick.WAV", "AIFF", True),
        ("Kick.AIF", "AIFF", False),
        ("Kick.wav", "W64", True),
        ("Kick.wav", "CAF", True),
        ("Kick.flac", "FLAC", False),
        ("Kick.mp3", "FLAC", True),
        ("Kick", "FLAC", False),
        ("Kick.take2", "CAF", False),
    ],
)
def test_a_name_that_says_otherwise_is_a_note(name: str, container: str, is_told: bool) -> None:
    if container == "WAV":
        content = riff(fmt(), riff_chunk(b"data", sound(100)))
    else:
        content = library_file(container, "PCM_24", codes(24))
    header = header_of(content, name)
    assert told(header) == ({("header", "extension", "note")} if is_told else set())
    assert header.is_readable
    if is_told:
        assert container in header.faults[0].message
