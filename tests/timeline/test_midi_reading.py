"""Our reading of dropped MIDI files against mido's writing and its tempo arithmetic."""

from __future__ import annotations

import io
import struct
from contextlib import suppress
from fractions import Fraction

import mido
import pytest
from hypothesis import given
from hypothesis import strategies as st

from stemprep.model.sheet import MidiTempo
from stemprep.timeline import map_of_midi, read_midi_tempo
from stemprep.timeline.midi_reading import MAX_BYTES, MAX_EVENTS


def written(*tracks: list[mido.MetaMessage | mido.Message], division: int = 480) -> bytes:
    file = mido.MidiFile(type=1, ticks_per_beat=division)
    for events in tracks:
        file.tracks.append(mido.MidiTrack(events))
    out = io.BytesIO()
    file.save(file=out)
    return out.getvalue()


def tempo(us: int, time: int = 0) -> mido.MetaMessage:
    return mido.MetaMessage("set_tempo", tempo=us, time=time)


def meter(numerator: int, denominator: int, time: int = 0) -> mido.MetaMessage:
    return mido.MetaMessage(
        "time_signature", numerator=numerator, denominator=denominator, time=time
    )


def test_tempo_meter_and_markers_among_notes() -> None:
    content = written(
        [
            tempo(500_000),
            meter(3, 4),
            mido.MetaMessage("marker", text="Intro"),
            tempo(645_161, 960),
        ],
        [
            mido.Message("program_change", program=3),
            mido.Message("note_on", note=60, velocity=9, time=100),
            mido.Message("note_on", note=61, velocity=9, time=0),
            mido.Message("sysex", data=[1, 2, 3], time=10),
            mido.Message("pitchwheel", pitch=100),
            mido.MetaMessage("marker", text="Verse", time=610),
        ],
    )
    assert read_midi_tempo(content) == MidiTempo(
        ticks_per_quarter=480,
        tempos=((0, 500_000), (960, 645_161)),
        meters=((0, 3, 4),),
        markers=((0, "Intro"), (720, "Verse")),
    )


@given(
    st.lists(st.tuples(st.integers(0, 5_000), st.integers(60_000, 0xFFFFFF)), max_size=12),
    st.sampled_from([24, 96, 480, 960]),
)
def test_seconds_are_those_of_mido(changes: list[tuple[int, int]], division: int) -> None:
    """Added up event by event by mido, in float; ours is exact."""
    content = written(
        [tempo(700_000), *(tempo(us, time) for time, us in changes), tempo(500_000, 1_000)],
        division=division,
    )
    seconds = sum(message.time for message in mido.MidiFile(file=io.BytesIO(content)))
    ticks = 1_000 + sum(time for time, _ in changes)
    ours = map_of_midi(read_midi_tempo(content)).second_of(Fraction(ticks, division))
    assert float(ours) == pytest.approx(seconds, rel=1e-12)


@pytest.mark.parametrize(
    ("content", "reason"),
    [
        (b"", "no Standard MIDI File"),
        (b"RIFF" + bytes(40), "no Standard MIDI File"),
        (b"MThd" + struct.pack(">IHHH", 6, 2, 1, 480), "format 2"),
        (b"MThd" + struct.pack(">IHHH", 6, 1, 1, 0xE728), "counts in timecode"),
        (b"MThd" + struct.pack(">IHHH", 6, 1, 1, 0), "counts in timecode"),
        (b"MThd" + struct.pack(">IHHH", 6, 1, 1, 480), "holds no tempo"),
        (written([tempo(59_999)]), "over 1,000"),
        (written([tempo(500_000 + i) for i in range(MAX_EVENTS + 1)]), "changes of tempo"),
        (bytes(MAX_BYTES + 1), "more than 2,000,000 bytes"),
    ],
)
def test_what_is_refused(content: bytes, reason: str) -> None:
    with pytest.raises(ValueError, match=reason):
        read_midi_tempo(content)


def test_what_breaks_off_is_read_up_to_there() -> None:
    content = written([tempo(500_000), meter(4, 4), tempo(600_000, 4_000)])
    assert read_midi_tempo(content[:-9]).tempos == ((0, 500_000),)


def test_control_characters_stay_out_of_markers() -> None:
    content = written(
        [tempo(500_000), mido.MetaMessage("marker", text="A\x1b[31m\n\x85B" + "c" * 200)]
    )
    ((_, text),) = read_midi_tempo(content).markers
    assert text.startswith("A [31m Bcc")
    assert len(text) == 100


@given(st.binary(max_size=300))
def test_any_bytes_give_a_map_or_a_reason(tail: bytes) -> None:
    header = b"MThd" + struct.pack(">IHHH", 6, 1, 1, 480)
    track = b"MTrk" + struct.pack(">I", len(tail)) + tail
    for content in (tail, header + track, written([tempo(500_000)]) + track):
        with suppress(ValueError):
            assert map_of_midi(read_midi_tempo(content)).second_of_bar(2) > 0
