"""W64, AIFF, AIFC and CAF with wrong headers: named, and read as far as that is right."""

from __future__ import annotations

import struct

import pytest

from stemprep.containers.aiff import extended
from stemprep.containers.bext import build_bext
from stemprep.model.header import Bext, Cue
from tests.containers.other_builder import (
    aiff,
    caf,
    codes,
    header_of,
    iff,
    library_file,
    read,
    told,
    w64,
    w64_chunk,
)

SOUND = bytes(range(30)) * 10
TRUNCATED = ("truncated", "data-beyond-end", "fail")
PLACEHOLDER = ("header", "size-placeholder", "warn")


@pytest.mark.parametrize("container", ["W64", "AIFF", "CAF"])
@pytest.mark.parametrize("lost_bytes", [1, 6, 300, 3000])
def test_a_cut_file_says_promised_and_present(container: str, lost_bytes: int) -> None:
    content = library_file(container, "PCM_24", codes(24))
    sound_bytes = 1001 * 6
    spare = len(content) - sound_bytes if container != "W64" else 0
    assert spare < 4200
    header, blocks = read(content[:-lost_bytes])
    assert told(header) == {TRUNCATED}
    assert header.declared_frames == 1001
    assert 1001 - lost_bytes // 6 - 1 <= header.frames <= 1001 - lost_bytes // 6
    assert sum(block.frames for block in blocks) == header.frames
    assert header.faults[0].start_sample == header.frames


def test_the_frame_count_of_an_aiff_may_promise_more_than_its_sound_chunk() -> None:
    header = header_of(aiff(SOUND, frames=400))
    assert told(header) == {TRUNCATED}
    assert (header.declared_frames, header.frames) == (400, 100)


@pytest.mark.parametrize("frames", [0, 99])
def test_the_frame_count_of_an_aiff_may_promise_less(frames: int) -> None:
    header = header_of(aiff(SOUND, frames=frames))
    assert told(header) == {("header", "frame-count", "warn")}
    assert header.frames == 100
    assert header.faults[0].repair == "rewrap"


@pytest.mark.parametrize("size", [0, 8, 0xFFFFFFFF, 0x7FFFFFFF])
def test_an_aiff_that_was_never_closed(size: int) -> None:
    header, blocks = read(aiff(SOUND, frames=0, sound_size=size, form_size=0))
    assert told(header) == {PLACEHOLDER}
    assert (header.declared_frames, header.frames) == (None, 100)
    assert sum(block.frames for block in blocks) == 100


@pytest.mark.parametrize("size", [0, 24, 2**64 - 1])
def test_a_w64_that_was_never_closed(size: int) -> None:
    header = header_of(w64(SOUND[:288], sound_size=size, riff_size=0))
    assert told(header) == {PLACEHOLDER}
    assert header.frames == 96


def test_a_caf_may_leave_its_size_open() -> None:
    """CAF specification: -1 is legal for the last chunk (from memory)."""
    header = header_of(caf(SOUND, sound_size=-1))
    assert told(header) == {("header", "size-open", "note")}
    assert (header.declared_frames, header.frames) == (None, 100)


@pytest.mark.parametrize("size", [2**62, 2**63 - 2])
def test_giant_sizes_are_truncations_and_cost_nothing(size: int) -> None:
    header = header_of(caf(SOUND, sound_size=size))
    assert told(header) == {TRUNCATED}
    assert header.frames == 100
    assert told(header_of(w64(SOUND, sound_size=size))) == {TRUNCATED}


def test_outer_sizes_that_disagree() -> None:
    assert told(header_of(aiff(SOUND, frames=100, form_size=77))) == {
        ("header", "riff-size", "warn")
    }
    assert told(header_of(w64(SOUND, riff_size=77))) == {("header", "riff-size", "warn")}


def test_an_unknown_code_is_named() -> None:
    header, blocks = read(aiff(SOUND, frames=100, code=b"Qclp"))
    assert told(header) == {("unreadable", "unknown-content", "fail")}
    assert "'Qclp'" in header.faults[0].message
    assert blocks == []
    header = header_of(caf(SOUND, code=b"zzzz"))
    assert "'zzzz'" in header.faults[0].message


@pytest.mark.parametrize(
    ("container", "subtype"), [("AIFF", "ULAW"), ("CAF", "ALAW"), ("W64", "ULAW")]
)
def test_companded_sound_is_named_and_not_decoded(container: str, subtype: str) -> None:
    header, blocks = read(library_file(container, subtype, codes(16)))
    assert told(header) == {("lossy-source", "lossy-encoding", "fail")}
    assert header.format is not None
    assert header.format.encoding == "companded"
    assert blocks == []


def test_lossy_and_compressed_codes_inside_linear_containers() -> None:
    assert told(header_of(caf(SOUND, code=b"aac "))) == {("lossy-source", "lossy-encoding", "fail")}
    assert told(header_of(aiff(SOUND, frames=9, code=b"ima4"))) == {
        ("lossy-source", "lossy-encoding", "fail")
    }
    header = header_of(library_file("CAF", "ALAC_24", codes(24)))
    assert told(header) == {("unreadable", "unsupported-coding", "fail")}
    assert "ALAC" in header.faults[0].message


@pytest.mark.parametrize(
    ("content", "code"),
    [
        (aiff(SOUND, frames=100, channels=0), "channels"),
        (aiff(SOUND, frames=100, channels=65), "channels"),
        (aiff(SOUND, frames=100, rate=bytes(10)), "sample-rate"),
        (aiff(SOUND, frames=100, rate=b"\x7f\xff" + bytes(8)), "sample-rate"),
        (aiff(SOUND, frames=100, bits=0), "bits"),
        (aiff(SOUND, frames=100, bits=33), "bits"),
        (caf(SOUND, channels=0, packet_bytes=3), "channels"),
        (caf(SOUND, rate_hz=float("nan")), "sample-rate"),
        (caf(SOUND, rate_hz=float("inf")), "sample-rate"),
        (caf(SOUND, bits=48), "bits"),
        (caf(SOUND, bits=16, flags=1), "bits"),
        (w64(SOUND, channels=0), "channels"),
        (b"FORM\0\0\0\4AIFF" + iff(b"SSND", bytes(8) + SOUND), "comm"),
        (b"caff\0\1\0\0data" + struct.pack(">qI", 304, 0) + SOUND, "desc"),
    ],
)
def test_impossible_headers(content: bytes, code: str) -> None:
    header, blocks = read(content)
    assert ("header", code, "fail") in told(header)
    assert header.format is None
    assert blocks == []


@pytest.mark.parametrize("content", [aiff(b"", frames=0), caf(b""), w64(b"")])
def test_headers_without_sound(content: bytes) -> None:
    header, blocks = read(content)
    assert ("unreadable", "no-sound", "fail") in told(header)
    assert blocks == []


def test_a_caf_frame_size_that_contradicts_its_format() -> None:
    header = header_of(caf(SOUND, packet_bytes=7))
    assert told(header) == {("header", "block-align", "warn")}
    assert header.frames == 100


def test_a_fractional_rate_is_rounded_and_told() -> None:
    header = header_of(caf(SOUND, rate_hz=47_952.048))
    assert told(header) == {("header", "fractional-rate", "note")}
    assert header.format is not None
    assert header.format.sample_rate_hz == 47_952


def test_bytes_behind_the_last_chunk() -> None:
    content = aiff(SOUND, frames=100) + b"\xff" * 40
    assert ("header", "stray-bytes", "warn") in told(header_of(content))


def test_chunks_behind_the_sound_that_are_cut() -> None:
    content = aiff(SOUND, frames=100, behind=iff(b"ANNO", b"text", size=400))
    header = header_of(content)
    assert told(header) == {("header", "chunk-cut", "warn")}
    assert header.frames == 100


def test_markers_names_and_comments_of_an_aiff() -> None:
    marks = struct.pack(">H", 2) + struct.pack(">HIB", 1, 0, 5) + b"Intro"
    marks += struct.pack(">HIB", 7, 48, 4) + b"Hook\0"
    comments = struct.pack(">H", 1) + struct.pack(">IHH", 0, 0, 5) + b"slow!\0"
    texts = iff(b"NAME", b"Kite") + iff(b"MARK", marks) + iff(b"COMT", comments)
    header = header_of(aiff(SOUND, frames=100, between=texts))
    assert header.faults == ()
    assert header.cues == (
        Cue(identifier=1, position_samples=0, label="Intro"),
        Cue(identifier=7, position_samples=48, label="Hook"),
    )
    assert header.info == (("NAME", "Kite"), ("COMT", "slow!"))
    assert [chunk.identifier for chunk in header.chunks] == ["NAME", "MARK", "COMT"]


def test_texts_of_a_caf() -> None:
    texts = struct.pack(">I", 2) + b"title\0Kite\0artist\0Nobody\0"
    info = struct.pack(">4sq", b"info", len(texts)) + texts
    header = header_of(caf(SOUND, between=info))
    assert header.info == (("title", "Kite"), ("artist", "Nobody"))


def test_a_bext_inside_a_w64_is_read() -> None:
    bext = build_bext(Bext(description="take", time_reference_samples=172_800_000))
    header = header_of(w64(SOUND, between=w64_chunk(b"bext", bext)))
    assert header.faults == ()
    assert header.time_reference_samples == 172_800_000


@pytest.mark.parametrize(
    ("stored", "rate_hz"),
    [
        ("400eac44000000000000", 44_100),
        ("400ebb80000000000000", 48_000),
        ("400bfa00000000000000", 8_000),
        ("4011bb80000000000000", 384_000),
    ],
)
def test_extended_floats(stored: str, rate_hz: int) -> None:
    """The first two: the values common in AIFF files (AIFF 1.3 examples, from memory)."""
    assert extended(bytes.fromhex(stored)) == rate_hz
    assert extended(b"\xc0" + bytes.fromhex(stored)[1:]) == -rate_hz


def test_the_format_of_an_aiff_may_stand_behind_its_sound() -> None:
    """AIFF 1.3: chunks may come in any order."""
    content = aiff(SOUND, frames=100)
    start, sound_at = content.index(b"COMM"), content.index(b"SSND")
    header, blocks = read(content[:start] + content[sound_at:] + content[start:sound_at])
    assert header.faults == ()
    assert sum(block.frames for block in blocks) == 100
