"""ADM chunks by the layout of ITU-R BS.2088, sampler loops by that of the format's maker."""

from __future__ import annotations

import struct

from stemprep.containers.adm import defined_uids, parse_chna
from stemprep.containers.markers import parse_loops
from stemprep.model.header import AdmTrack, SamplerLoop


def entry(channel: int, uid: bytes) -> bytes:
    return struct.pack("<H12s14s11sx", channel, uid, b"AT_00010001_01", b"AP_00010002")


def test_entries_in_use_are_read() -> None:
    payload = struct.pack("<HH", 2, 3) + entry(1, b"ATU_00000001") + entry(2, b"ATU_00000002")
    payload += entry(0, b"")
    assert len(entry(1, b"")) == 40
    assert parse_chna(payload) == (
        AdmTrack(channel=1, uid="ATU_00000001"),
        AdmTrack(channel=2, uid="ATU_00000002"),
    )


def test_a_chunk_that_counts_more_than_it_holds_is_read_as_far_as_it_goes() -> None:
    payload = struct.pack("<HH", 900, 900) + entry(1, b"ATU_00000001") + b"\1\0ATU"
    assert len(parse_chna(payload)) == 1
    assert parse_chna(b"\1\0") == ()


def test_uids_are_those_that_are_defined_not_those_that_are_named() -> None:
    xml = (
        b'<audioFormatExtended><audioTrackUID UID="ATU_00000001" sampleRate="48000"/>'
        b"<adm:audioTrackUID bitDepth='24' UID='ATU_00000002'></adm:audioTrackUID>"
        b"<audioTrackUIDRef>ATU_00000003</audioTrackUIDRef></audioFormatExtended>"
    )
    assert defined_uids(xml) == ("ATU_00000001", "ATU_00000002")
    assert defined_uids(b"<audioTrackUID " * 10_000) == ()


def test_loops_are_read_as_many_as_are_there() -> None:
    head = struct.pack("<9I", 0, 0, 20_833, 60, 0, 0, 0, 2, 0)
    loop = struct.pack("<6I", 1, 0, 100, 4_799, 0, 0)
    assert parse_loops(head + loop) == (SamplerLoop(first_sample=100, last_sample=4_799),)
    assert parse_loops(head[:20]) == ()
