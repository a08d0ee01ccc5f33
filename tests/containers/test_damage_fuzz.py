"""Hostile bytes in every container: a header, sound or a named fault; nothing else, and soon."""

from __future__ import annotations

import io
import time

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from stemprep.containers import DecodingFault, read_blocks, read_header
from tests.containers.other_builder import codes, flac, library_file

HANG_S = 60  # far beyond what the busiest machine takes: only a hang is caught
TONE = (0.5 * np.sin(np.arange(3_000) * 0.05))[:, np.newaxis]
WHOLE = [
    library_file("W64", "PCM_24", codes(24, frames=200)),
    library_file("AIFF", "PCM_24", codes(24, frames=200)),
    library_file("AIFF", "FLOAT", TONE),
    library_file("CAF", "PCM_16", codes(16, frames=200)),
    library_file("FLAC", "PCM_16", codes(16, frames=5000)),
    library_file("FLAC", "PCM_24", (TONE * 2**31).astype(np.int32)),
    flac(codes(16, frames=900).astype(np.int64) >> 16, 16),
    flac(codes(8, frames=900).astype(np.int64) >> 24, 8, md5=bytes(16)),
    library_file("MP3", "MPEG_LAYER_III", TONE),
    library_file("OGG", "VORBIS", TONE),
]
FILES = st.sampled_from(WHOLE)
PLACES = st.one_of(st.integers(0, 120), st.integers(0, 40_000))


def demand_sane(content: bytes) -> None:
    """Demand a header, then sound of the length that it tells, or a fault with a reason."""
    started = time.monotonic()
    stream = io.BytesIO(content)
    header = read_header(stream, len(content), "take.wav")
    assert header.is_readable or any(fault.severity == "fail" for fault in header.faults)
    assert all(c.offset_bytes + c.size_bytes <= len(content) for c in header.chunks)
    seen = bytearray()
    frames, stop = 0, None
    try:
        for block in read_blocks(stream, header, seen.extend, 1000):
            frames += block.frames
            assert block.samples.shape[0] == (header.format.channels if header.format else 0)
    except DecodingFault as fault:
        stop = fault.fault
    assert frames == header.frames if stop is None else stop.severity == "fail"
    assert bytes(seen) == content
    assert time.monotonic() - started < HANG_S


@given(FILES, st.lists(st.tuples(PLACES, st.integers(0, 255)), max_size=6))
@settings(max_examples=400, deadline=None)
def test_flipped(content: bytes, flips: list[tuple[int, int]]) -> None:
    changed = bytearray(content)
    for position, value in flips:
        changed[position % len(changed)] = value
    demand_sane(bytes(changed))


@given(FILES, PLACES, st.integers(0, 400), st.binary(max_size=40))
@settings(max_examples=300, deadline=None)
def test_removed_and_added(content: bytes, position: int, removed: int, added: bytes) -> None:
    position %= len(content)
    demand_sane(content[:position] + added + content[position + removed :])


@given(
    st.sampled_from([b"fLaC", b"caff\0\1\0\0", b"FORM\0\0\1\0AIFC", WHOLE[0][:40], b"ID3\4\0\0"]),
    st.binary(max_size=200),
)
@settings(max_examples=200, deadline=None)
def test_anything_behind_a_known_start(start: bytes, tail: bytes) -> None:
    demand_sane(start + tail)


@pytest.mark.parametrize("content", WHOLE[4:8])
def test_no_flipped_bit_of_flac_sound_goes_unnoticed(content: bytes) -> None:
    """Every 37th byte, one bit: a frame CRC, the MD5 or the length must tell (RFC 9639, 9.3)."""
    start = content.index(b"\xff\xf8")
    for position in range(start, len(content), 37):
        changed = bytearray(content)
        changed[position] ^= 1 << position % 8
        stream = io.BytesIO(bytes(changed))
        header = read_header(stream, len(changed), "take.flac")
        is_told = any(fault.severity == "fail" for fault in header.faults)
        try:
            blocks = [block.codes for block in read_blocks(stream, header, lambda _: None)]
        except DecodingFault:
            continue
        if not is_told:
            whole = io.BytesIO(content)
            wanted = read_blocks(whole, read_header(whole, len(content), ""), lambda _: None)
            np.testing.assert_array_equal(
                np.concatenate(blocks), np.concatenate([block.codes for block in wanted])
            )


@pytest.mark.parametrize(
    "junk", [b"\xff\xf8", b"\xff\xf8\x70\x08\0\0\xbf", b"\xff\xfb\x94\x64", b"\0"]
)
@pytest.mark.parametrize("start", [WHOLE[4][:1000], b"ID3\4\0\0\0\0\0\0", WHOLE[0], WHOLE[3]])
def test_false_heads_stay_cheap(start: bytes, junk: bytes) -> None:
    demand_sane(start + junk * (4_000_000 // len(junk)))
