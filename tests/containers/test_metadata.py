"""What travels with the sound, what does not, and that both are told."""

from __future__ import annotations

import io
import struct

import pytest

from stemprep.containers import Metadata, dropped_metadata, outgoing_metadata, read_header
from stemprep.containers.bext import parse_bext
from stemprep.containers.ixml import parse_ixml
from stemprep.containers.markers import label_cues, parse_cues
from stemprep.model.header import AudioFormat, Bext, Cue
from stemprep.model.plan import Operation, OutputPlan
from stemprep.model.words import OperationName
from tests.containers.riff_builder import chunk, fmt, header_of, riff, sound

FORMAT = AudioFormat(
    container="WAV",
    encoding="integer",
    sample_rate_hz=48_000,
    channels=1,
    bit_depth=24,
    container_bits=24,
)
IXML = (
    b"<BWFXML><TRACK_LIST><TRACK><NAME>Old</NAME></TRACK></TRACK_LIST><SYNC_POINT_LIST/></BWFXML>"
)
CUE = struct.pack("<IIIIIII", 1, 1, 100, int.from_bytes(b"data", "little"), 0, 0, 100)
ADTL = b"adtl" + chunk(b"labl", struct.pack("<I", 1) + b"Chorus\0")
INFO = b"INFO" + chunk(b"INAM", b"Tallow Wharf\0")
SOURCE = riff(
    chunk(b"JUNK", bytes(28)),
    chunk(b"bext", b"old".ljust(602, b"\0")),
    fmt(),
    chunk(b"PEAK", bytes(16)),
    chunk(b"data", sound(1000)),
    chunk(b"cue ", CUE),
    chunk(b"LIST", ADTL),
    chunk(b"LIST", INFO),
    chunk(b"iXML", IXML),
    chunk(b"odd ", b"12345"),
)


def metadata(*operations: OperationName, source: bytes = SOURCE, **plan: object) -> Metadata:
    output = OutputPlan(
        sources=("a.wav",),
        path="a.wav",
        role="track",
        song="",
        operations=tuple(Operation(name=name) for name in operations),
        format=FORMAT,
        frames=1000,
        **plan,  # type: ignore[arg-type]
    )
    stream = io.BytesIO(source)
    header = read_header(stream, len(source), "a.wav")
    found = outgoing_metadata(stream, header, output)
    assert found.dropped == dropped_metadata(header, output), "the printed plan must hold"
    return found


def names(found: Metadata) -> list[str]:
    return [name for name, _ in found.chunks]


def test_markers_are_read() -> None:
    header = header_of(SOURCE)
    (cue,) = header.cues
    assert (cue.identifier, cue.position_samples, cue.label) == (1, 100, "Chorus")
    assert header.info == (("INAM", "Tallow Wharf"),)


def test_an_untouched_sound_keeps_every_chunk_byte_for_byte() -> None:
    found = metadata("copy-audio")
    assert names(found) == ["bext", "iXML", "PEAK", "cue ", "LIST", "LIST", "odd "]
    assert dict(found.chunks)["iXML"] == IXML
    assert dict(found.chunks)["bext"] == b"old".ljust(602, b"\0")
    assert ("LIST", ADTL) in found.chunks
    assert ("LIST", INFO) in found.chunks
    assert dict(found.chunks)["odd "] == b"12345"
    assert found.dropped == ()


VERSE = Cue(identifier=0, position_samples=50, label="Verse")


def test_planned_cues_join_those_that_stay_true() -> None:
    found = metadata("copy-audio", cues=(VERSE,))
    assert names(found) == ["bext", "iXML", "PEAK", "LIST", "odd ", "cue ", "LIST"]
    assert found.dropped == ()
    (_, points), (_, texts) = found.chunks[-2:]
    assert [(cue.position_samples, cue.label) for cue in label_cues(parse_cues(points), texts)] == [
        (50, "Verse"), (100, "Chorus"),
    ]  # fmt: skip


def test_after_a_move_only_planned_cues_are_written() -> None:
    found = metadata("trim", bext=Bext(time_reference_samples=99), cues=(VERSE,))
    assert found.dropped == ("PEAK", "cue ", "LIST adtl", "odd ", "iXML/SYNC_POINT_LIST")
    (_, points), (_, texts) = found.chunks[-2:]
    assert [cue.label for cue in label_cues(parse_cues(points), texts)] == ["Verse"]


def test_a_move_leaves_behind_what_points_into_the_sound() -> None:
    found = metadata("trim", bext=Bext(time_reference_samples=99))
    assert names(found) == ["bext", "iXML", "LIST"]
    assert found.dropped == ("PEAK", "cue ", "LIST adtl", "odd ", "iXML/SYNC_POINT_LIST")
    bext, _ = parse_bext(dict(found.chunks)["bext"])
    assert bext is not None
    assert bext.time_reference_samples == 99


def test_a_move_without_a_new_time_reference_does_not_carry_the_old_one() -> None:
    found = metadata("pad")
    assert "bext" not in names(found)
    assert "bext" in found.dropped


def test_a_level_change_leaves_the_peaks_behind() -> None:
    found = metadata("gain")
    assert found.dropped == ("PEAK",)


def test_the_plan_decides_what_is_dropped_and_kept() -> None:
    assert metadata("copy-audio", dropped_chunks=("LIST",)).dropped == ("LIST adtl", "LIST INFO")
    assert metadata("copy-audio", dropped_chunks=("LIST INFO",)).dropped == ("LIST INFO",)
    assert metadata("copy-audio", dropped_chunks=("cue ",)).dropped == ("cue ", "LIST adtl")
    kept = metadata("copy-audio", kept_chunks=("bext", "odd "))
    assert names(kept) == ["bext", "odd "]
    assert kept.dropped == ("PEAK", "cue ", "LIST adtl", "LIST INFO", "iXML")


def test_track_names_go_into_the_source_s_ixml_or_a_new_one() -> None:
    renamed = metadata("copy-audio", track_names=("Kick In",))
    assert b"SYNC_POINT_LIST" in dict(renamed.chunks)["iXML"]
    bare = metadata("copy-audio", source=riff(fmt(), chunk(b"data", sound(10))), track_names=("A",))
    for found, name in ((renamed, "Kick In"), (bare, "A")):
        ixml, problem = parse_ixml(dict(found.chunks)["iXML"])
        assert problem == ""
        assert [track.name for track in ixml.tracks] == [name]
        assert found.dropped == ()


def test_a_split_does_not_carry_the_names_of_other_channels() -> None:
    found = metadata("split")
    assert found.dropped == ("PEAK", "iXML/TRACK_LIST")
    assert b"Old" not in dict(found.chunks)["iXML"]


@pytest.mark.parametrize("names_wanted", [(), ("Kick",)])
def test_a_broken_ixml_is_carried_untouched_or_named_as_dropped(
    names_wanted: tuple[str, ...],
) -> None:
    source = riff(fmt(), chunk(b"data", sound(10)), chunk(b"iXML", b"<BWFXML>"))
    found = metadata("copy-audio", source=source, track_names=names_wanted)
    if names_wanted:
        assert found.dropped == ("iXML",)
        assert parse_ixml(dict(found.chunks)["iXML"])[1] == ""
    else:
        assert found.chunks == (("iXML", b"<BWFXML>"),)


def test_the_first_bext_counts_and_a_second_is_named() -> None:
    twice = riff(
        chunk(b"bext", bytes(602)), chunk(b"bext", bytes(602)), fmt(), chunk(b"data", b"abc")
    )
    assert metadata("copy-audio", source=twice).dropped == ("bext",)


def contradicting(start: int, speed: bytes, tracks: bytes = b"") -> bytes:
    bext = bytearray(602)
    struct.pack_into("<Q", bext, 338, start)
    ixml = b"<BWFXML><SPEED>" + speed + b"</SPEED>" + tracks + b"<NOTE>kept</NOTE></BWFXML>"
    return riff(
        chunk(b"bext", bytes(bext)), fmt(), chunk(b"data", sound(1000)), chunk(b"iXML", ixml)
    )


SPEED = (
    b"<FILE_SAMPLE_RATE>44100</FILE_SAMPLE_RATE><AUDIO_BIT_DEPTH>16</AUDIO_BIT_DEPTH>"
    b"<TIMESTAMP_SAMPLES_SINCE_MIDNIGHT_HI>0</TIMESTAMP_SAMPLES_SINCE_MIDNIGHT_HI>"
    b"<TIMESTAMP_SAMPLES_SINCE_MIDNIGHT_LO>96000</TIMESTAMP_SAMPLES_SINCE_MIDNIGHT_LO>"
)


def test_what_contradicts_the_file_is_made_true_in_a_copy_and_named() -> None:
    tracks = b"<TRACK_LIST><TRACK_COUNT>8</TRACK_COUNT></TRACK_LIST>"
    found = metadata("copy-audio", source=contradicting(48_000, SPEED, tracks))
    ixml, problem = parse_ixml(dict(found.chunks)["iXML"])
    assert problem == ""
    assert (ixml.file_rate_hz, ixml.bit_depth, ixml.time_reference_samples) == (48_000, 24, 48_000)
    assert (ixml.track_count, ixml.note) == (None, "kept")
    assert found.dropped == (
        "iXML/TRACK_LIST",
        "iXML/SPEED/TIMESTAMP_SAMPLES_SINCE_MIDNIGHT",
        "iXML/SPEED/FILE_SAMPLE_RATE",
        "iXML/SPEED/AUDIO_BIT_DEPTH",
    )


def test_a_bext_that_nobody_filled_in_overrules_no_time() -> None:
    found = metadata("copy-audio", source=contradicting(0, SPEED))
    ixml, _ = parse_ixml(dict(found.chunks)["iXML"])
    assert (ixml.file_rate_hz, ixml.time_reference_samples) == (48_000, 96_000)


def test_an_ixml_that_agrees_stays_byte_for_byte() -> None:
    agreeing = SPEED.replace(b"44100", b"48000").replace(b">16<", b">24<")
    source = contradicting(96_000, agreeing)
    found = metadata("copy-audio", source=source)
    assert dict(found.chunks)["iXML"] in source
    assert found.dropped == ()
