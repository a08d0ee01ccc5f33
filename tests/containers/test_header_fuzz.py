"""Hostile bytes: whatever is added, removed or flipped, there is a header, quickly."""

from __future__ import annotations

import io
import struct
import time

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from stemprep.containers import Metadata, copy_audio, read_header
from tests.containers.riff_builder import chunk, extensible, fmt, frames_read, riff, sound

HANG_S = 60  # far beyond what the busiest machine takes: only a hang is caught
CUE = struct.pack("<IIIIIII", 1, 1, 100, 0, 0, 0, 100)
WHOLE = riff(
    chunk(b"bext", bytes(602) + b"A=PCM\r\n"),
    extensible(valid=20, mask=3, channels=2),
    chunk(b"note", b"odd"),
    chunk(b"data", sound(101, channels=2)),
    chunk(b"cue ", CUE),
    chunk(b"LIST", b"adtl" + chunk(b"labl", b"\1\0\0\0Verse\0")),
    chunk(b"iXML", b"<BWFXML><PROJECT>x</PROJECT></BWFXML>"),
)
BIG = riff(
    chunk(b"ds64", struct.pack("<QQQI", 0, 300, 100, 1) + b"iXML" + struct.pack("<Q", 5)),
    fmt(),
    chunk(b"data", sound(100), size=0xFFFFFFFF),
    magic=b"RF64",
    size=0xFFFFFFFF,
)
HEADERS = st.sampled_from([WHOLE, BIG])


def demand_sane(content: bytes) -> None:
    """Demand a header within the file in bounded time, and that readable sound copies well."""
    started = time.monotonic()
    stream = io.BytesIO(content)
    header = read_header(stream, len(content), "take.wav")
    assert time.monotonic() - started < HANG_S
    assert header.data_offset_bytes + header.data_size_bytes <= len(content)
    assert all(c.offset_bytes + c.size_bytes <= len(content) for c in header.chunks)
    assert header.is_readable or any(fault.severity == "fail" for fault in header.faults)
    assert frames_read(content) == header.frames
    if header.is_readable:
        target = io.BytesIO()
        copy_audio(stream, header, target, Metadata())
        copy = target.getvalue()
        again = read_header(io.BytesIO(copy), len(copy), "take.wav")
        assert (again.frames, again.faults) == (header.frames, ())


@given(HEADERS, st.lists(st.tuples(st.integers(0, 1100), st.integers(0, 255)), max_size=6))
@settings(max_examples=300, deadline=None)
def test_flipped(content: bytes, flips: list[tuple[int, int]]) -> None:
    changed = bytearray(content)
    for position, value in flips:
        changed[position % len(changed)] = value
    demand_sane(bytes(changed))


@given(HEADERS, st.integers(0, 1500), st.integers(0, 40), st.binary(max_size=40))
@settings(max_examples=200, deadline=None)
def test_removed_and_added(content: bytes, position: int, removed: int, added: bytes) -> None:
    demand_sane(content[:position] + added + content[position + removed :])


@given(st.binary(max_size=200))
@settings(max_examples=100, deadline=None)
def test_anything_behind_a_riff_header(tail: bytes) -> None:
    demand_sane(b"RIFF\xff\xff\xff\xffWAVE" + tail)
    demand_sane(tail)


@pytest.mark.parametrize(
    "junk", [b"fmt \x10\0\0\0data\xfe\xff\xff\xff", b"data", b"fmt ", b"\0", b"LIST\0\0\0\0"]
)
def test_false_heads_stay_cheap(junk: bytes) -> None:
    """A search for lost chunks may not cost more than one look at the file."""
    demand_sane(riff(chunk(b"note", b"", size=0x7FFFFFF0), junk * (8_000_000 // len(junk))))
    demand_sane(riff(chunk(b"data", b"", size=0), junk * (1_000_000 // len(junk))))
