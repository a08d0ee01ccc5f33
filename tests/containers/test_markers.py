"""Cue points, labels and INFO texts: as written, as cut off, as lied about."""

from __future__ import annotations

import struct

from hypothesis import given
from hypothesis import strategies as st

from stemprep.containers.markers import build_cues, label_cues, parse_cues, parse_info
from stemprep.model.header import Cue
from tests.containers.riff_builder import chunk


def point(identifier: int, frame: int) -> bytes:
    """Make one cue point; the play order position differs from the sample offset."""
    return struct.pack("<II4sIII", identifier, 7, b"data", 0, 0, frame)


def test_points_stand_at_their_sample_offset() -> None:
    """RIFF (1991), cue chunk: 24 bytes a point, sample offset at byte 20."""
    payload = struct.pack("<I", 2) + point(1, 48_000) + point(9, 2**32 - 1)
    assert parse_cues(payload) == (
        Cue(identifier=1, position_samples=48_000),
        Cue(identifier=9, position_samples=2**32 - 1),
    )


def test_a_count_that_lies_is_not_believed() -> None:
    assert len(parse_cues(struct.pack("<I", 2**32 - 1) + point(1, 5) + b"rest")) == 1
    assert parse_cues(struct.pack("<I", 1) + point(1, 5) + point(2, 6)) == (
        Cue(identifier=1, position_samples=5),
    )
    assert parse_cues(b"\1\0") == ()


def test_labels_notes_and_lengths_find_their_point() -> None:
    ltxt = struct.pack("<II4sHHHH", 2, 960, b"rgn ", 0, 0, 0, 0) + b"Bridge\0"
    adtl = (
        b"adtl"
        + chunk(b"labl", struct.pack("<I", 1) + b"Verse\0")
        + chunk(b"note", struct.pack("<I", 1) + b"sung \xe0 deux\0")
        + chunk(b"ltxt", ltxt)
        + chunk(b"labl", struct.pack("<I", 77) + b"of no point\0")
        + chunk(b"labl", b"\1")
    )
    cues = (
        Cue(identifier=1, position_samples=5),
        Cue(identifier=2, position_samples=6),
        Cue(identifier=3, position_samples=7),
    )
    assert label_cues(cues, adtl) == (
        Cue(identifier=1, position_samples=5, label="Verse", note="sung \u00e0 deux"),
        Cue(identifier=2, position_samples=6, label="Bridge", length_samples=960),
        Cue(identifier=3, position_samples=7),
    )


def test_info_texts_keep_their_order() -> None:
    payload = b"INFO" + chunk(b"INAM", b"Tallow Wharf\0") + chunk(b"IART", b"The Tidal Clerks")
    assert parse_info(payload) == (("INAM", "Tallow Wharf"), ("IART", "The Tidal Clerks"))


@given(st.binary(max_size=120))
def test_any_bytes_are_survived(payload: bytes) -> None:
    cues = parse_cues(payload)
    assert [cue.position_samples for cue in label_cues(cues, payload)] == [
        cue.position_samples for cue in cues
    ]
    assert all(len(identifier) <= 4 for identifier, _ in parse_info(payload))


def test_built_cues_are_read_back() -> None:
    """Positions, labels, notes and lengths survive; numbers are given in order of position."""
    cues = (
        Cue(identifier=9, position_samples=96_000, label="Verse, é", note="odd"),
        Cue(identifier=9, position_samples=0, label="bar 1"),
        Cue(identifier=9, position_samples=500, label="x", length_samples=77),
        Cue(identifier=9, position_samples=1 << 32, label="beyond 32 bits"),
    )
    (name, points), (list_name, texts) = build_cues(cues)
    assert (name, list_name) == ("cue ", "LIST")
    read = label_cues(parse_cues(points), texts)
    assert read == (
        Cue(identifier=1, position_samples=0, label="bar 1"),
        Cue(identifier=2, position_samples=500, label="x", length_samples=77),
        Cue(identifier=3, position_samples=96_000, label="Verse, é", note="odd"),
    )
    assert build_cues(()) == []
