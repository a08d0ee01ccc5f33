"""iXML: names and times in, hostile XML out."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from stemprep.containers.ixml import Retouch, build_ixml, parse_ixml, retouch_ixml

SOURCE = b"""<?xml version="1.0" encoding="UTF-8"?>
<BWFXML>
  <IXML_VERSION>1.61</IXML_VERSION>
  <PROJECT>Tallow Wharf</PROJECT><SCENE>Song 2</SCENE><TAKE>3</TAKE>
  <NOTE>quiet &amp; slow</NOTE>
  <SPEED>
    <TIMECODE_RATE>25/1</TIMECODE_RATE>
    <FILE_SAMPLE_RATE>48000</FILE_SAMPLE_RATE>
    <TIMESTAMP_SAMPLES_SINCE_MIDNIGHT_HI>1</TIMESTAMP_SAMPLES_SINCE_MIDNIGHT_HI>
    <TIMESTAMP_SAMPLES_SINCE_MIDNIGHT_LO>7</TIMESTAMP_SAMPLES_SINCE_MIDNIGHT_LO>
  </SPEED>
  <!-- kept -->
  <SYNC_POINT_LIST><SYNC_POINT>1</SYNC_POINT></SYNC_POINT_LIST>
  <LOUDNESS><LOUDNESS_VALUE>-20</LOUDNESS_VALUE></LOUDNESS>
  <TRACK_LIST>
    <TRACK_COUNT>2</TRACK_COUNT>
    <TRACK><CHANNEL_INDEX>5</CHANNEL_INDEX><INTERLEAVE_INDEX>1</INTERLEAVE_INDEX>
      <NAME>Boom</NAME><FUNCTION>MIC</FUNCTION></TRACK>
    <TRACK><INTERLEAVE_INDEX>2</INTERLEAVE_INDEX><NAME>Lav</NAME></TRACK>
  </TRACK_LIST>
  <MAKER><SPECIAL key="1">stays</SPECIAL></MAKER>
</BWFXML>
"""


def test_the_fields_that_matter_are_read() -> None:
    ixml, problem = parse_ixml(SOURCE + b"\0\0")
    assert problem == ""
    assert (ixml.project, ixml.scene, ixml.take) == ("Tallow Wharf", "Song 2", "3")
    assert ixml.note == "quiet & slow"
    assert ixml.time_reference_samples == 2**32 + 7
    assert ixml.timecode_rate == "25/1"
    assert [(t.interleave_index, t.name, t.function) for t in ixml.tracks] == [
        (1, "Boom", "MIC"),
        (2, "Lav", ""),
    ]


BOMB = b"""<!DOCTYPE BWFXML [<!ENTITY a "lol"><!ENTITY b "&a;&a;&a;&a;">]>
<BWFXML><NOTE>&b;</NOTE></BWFXML>"""
REFUSED = {
    "entities": BOMB,
    "document type": b"<!DOCTYPE BWFXML><BWFXML/>",
    "external": b'<!DOCTYPE BWFXML SYSTEM "file:///etc/hostname"><BWFXML/>',
    "deep": b"<BWFXML>" + b"<A>" * 5000 + b"</A>" * 5000 + b"</BWFXML>",
    "large": b"<BWFXML>" + b" " * 1_000_000 + b"</BWFXML>",
    "cut off": SOURCE[:300],
    "other root": b"<html/>",
    "many kinds": b"<BWFXML>" + b"".join(b"<A%d/>" % n for n in range(1001)) + b"</BWFXML>",
    "unknown encoding": b'<?xml version="1.0" encoding="x-none"?><BWFXML/>',
    "empty": b"",
    "no XML": b"\x00\xff\xfe",
}


@pytest.mark.parametrize("payload", REFUSED.values(), ids=REFUSED.keys())
def test_hostile_and_broken_xml_is_refused_in_words(payload: bytes) -> None:
    ixml, problem = parse_ixml(payload)
    assert not ixml.is_well_formed
    assert problem


@given(st.binary(max_size=400))
def test_any_bytes_give_a_record(payload: bytes) -> None:
    ixml, problem = parse_ixml(payload)
    assert ixml.is_well_formed == (problem == "")


def test_built_names_are_escaped_and_read_back() -> None:
    names = ("Vox <lead> & more", "Gtr \u00e9\x00\x1b", "")
    ixml, problem = parse_ixml(build_ixml(names))
    assert problem == ""
    assert [t.name for t in ixml.tracks] == ["Vox <lead> & more", "Gtr \u00e9", ""]
    assert [t.interleave_index for t in ixml.tracks] == [1, 2, 3]


def test_new_names_keep_everything_else() -> None:
    payload = retouch_ixml(SOURCE, Retouch(track_names=("Room L", "Room R")))
    ixml, problem = parse_ixml(payload)
    assert problem == ""
    assert ixml.parts == parse_ixml(SOURCE)[0].parts
    assert [(t.name, t.function) for t in ixml.tracks] == [("Room L", "MIC"), ("Room R", "")]
    assert b"<CHANNEL_INDEX>5</CHANNEL_INDEX>" in payload
    assert b"<!-- kept -->" in payload
    assert b'<SPECIAL key="1">stays</SPECIAL>' in payload
    assert ixml.time_reference_samples == 2**32 + 7


def test_a_move_corrects_the_time_and_names_what_no_longer_holds() -> None:
    retouch = Retouch(
        time_reference_samples=2**32 * 2 + 9, sample_rate_hz=96_000, is_moved=True, is_changed=True
    )
    payload = retouch_ixml(SOURCE, retouch)
    ixml, _ = parse_ixml(payload)
    assert ixml.time_reference_samples == 2**32 * 2 + 9
    assert b"<FILE_SAMPLE_RATE>96000</FILE_SAMPLE_RATE>" in payload
    assert retouch.stale_parts == ("SYNC_POINT_LIST", "BEXT", "LOUDNESS")
    assert not set(retouch.stale_parts) & set(ixml.parts)
    assert b"LOUDNESS" not in payload
    assert b"SYNC_POINT" not in payload
