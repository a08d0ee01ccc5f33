"""Our MIDI files as mido reads them: bars within half a tick of their exact places."""

from __future__ import annotations

import io
import math
from fractions import Fraction

import mido
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from stemprep.model.sheet import TempoMark
from stemprep.timeline import (
    MapTrack,
    Marker,
    TempoMap,
    map_of_marks,
    map_of_midi,
    read_midi_tempo,
    write_midi,
)


def opened(content: bytes) -> mido.MidiFile:
    return mido.MidiFile(file=io.BytesIO(content))


class Read:
    """Bar lines and seconds of a MIDI file, worked out from mido's messages alone."""

    def __init__(self, content: bytes) -> None:
        self.file = opened(content)
        self.division = self.file.ticks_per_beat
        self.tempos: list[tuple[int, int]] = []
        self.meters: list[tuple[int, int, int]] = []
        tick = 0
        for message in self.file.tracks[0]:
            tick += message.time
            if message.type == "set_tempo":
                self.tempos.append((tick, message.tempo))
            elif message.type == "time_signature":
                self.meters.append((tick, message.numerator, message.denominator))
        self.end = tick

    def second(self, tick: int) -> float:
        """Sum of ``mido.tick2second`` over the tempos up to a tick."""
        total, at, tempo = 0.0, 0, 500_000
        for place, later in [*self.tempos, (math.inf, 0)]:
            stop = min(tick, place)
            if stop > at:
                total += mido.tick2second(stop - at, self.division, tempo)
                at = stop
            tempo = later
            if place >= tick:
                break
        return total

    def bar_ticks(self) -> list[int]:
        lines, tick = [], 0
        for (start, beats, unit), stop in zip(
            self.meters, [*(meter[0] for meter in self.meters[1:]), self.end + 1], strict=True
        ):
            tick = start
            while tick < stop:
                lines.append(tick)
                tick += self.division * 4 * beats // unit
        return lines

    def tick_seconds_at(self, tick: int) -> float:
        tempo = [500_000, *(value for place, value in self.tempos if place <= tick)][-1]
        return tempo / 1e6 / self.division


def compare(tempo_map: TempoMap, first_bar: int, bars: int) -> None:
    start = tempo_map.quarter_of(first_bar)
    read = Read(write_midi(tempo_map, start, tempo_map.quarter_of(first_bar + bars)))
    lines = read.bar_ticks()
    assert len(lines) == bars + 1
    for number, tick in enumerate(lines):
        bar = first_bar + number
        exact = tempo_map.second_of_bar(bar) - tempo_map.second_of_bar(first_bar)
        assert Fraction(tick, read.division) == tempo_map.quarter_of(bar) - start
        assert abs(read.second(tick) - float(exact)) <= 0.51 * read.tick_seconds_at(tick)


@pytest.mark.parametrize(
    "marks",
    [
        [TempoMark(bar=1, tempo_bpm=120, meter="4/4")],
        [TempoMark(bar=1, tempo_bpm=93, meter="4/4")],
        [TempoMark(bar=1, tempo_bpm=93.17, meter="7/8")],
        [TempoMark(bar=1, tempo_bpm=92, meter="4/4"), TempoMark(bar=9, meter="3/4"),
         TempoMark(bar=17, tempo_bpm=141.3), TempoMark(bar=33, tempo_bpm=92, meter="5/16")],
        [TempoMark(bar=-1, tempo_bpm=120, meter="4/4"), TempoMark(bar=5, is_ramp=True),
         TempoMark(bar=13, tempo_bpm=60), TempoMark(bar=21, tempo_bpm=60, is_ramp=True),
         TempoMark(bar=22, tempo_bpm=177.77)],
        [TempoMark(bar=1, tempo_bpm=96, meter="4/4"),
         TempoMark(bar=33, tempo_bpm=96, meter="5/64", is_ramp=True),
         TempoMark(bar=39, tempo_bpm=88.5, meter="12/8")],
    ],
    ids=["steady", "odd", "odder", "steps", "ramps", "ramp over small bars"],
)  # fmt: skip
@pytest.mark.parametrize("first_bar", [-3, 1])
def test_bars_lie_where_ours_do(marks: list[TempoMark], first_bar: int) -> None:
    compare(map_of_marks(marks), first_bar, 200)


@settings(max_examples=30)
@given(
    st.lists(
        st.tuples(
            st.integers(1, 12),
            st.decimals(20, 300, places=2).map(float),
            st.sampled_from(["4/4", "3/4", "7/8", "5/16", "3/64", None]),
            st.booleans(),
        ),
        min_size=1,
        max_size=5,
    )
)
def test_bars_lie_where_ours_do_in_any_map(
    drawn: list[tuple[int, float, str | None, bool]],
) -> None:
    bar, marks = 1, []
    for step, bpm, meter, is_ramp in drawn:
        marks.append(TempoMark(bar=bar, tempo_bpm=bpm, meter=meter, is_ramp=is_ramp))
        bar += step
    compare(map_of_marks([*marks, TempoMark(bar=bar, tempo_bpm=100)]), 0, bar + 5)


def test_a_steady_song_has_one_tempo_event() -> None:
    """93 a minute: 645,161 microseconds, 93.0000419, off by 6.48 samples in 5 minutes at 48 kHz
    (60e6/93 = 645161.29); that is under half a tick of 32 samples, so one event does.
    """
    tempo_map = map_of_marks([TempoMark(bar=1, tempo_bpm=93)])
    bars = math.ceil(5 * 60 / float(tempo_map.second_of_bar(2)))
    read = Read(write_midi(tempo_map, Fraction(0), tempo_map.quarter_of(bars + 1)))
    assert read.tempos == [(0, 645_161)]
    assert mido.tempo2bpm(645_161) == pytest.approx(93.0000419, abs=5e-8)
    ticks = 465 * 960  # 5 minutes at 93
    assert (read.second(ticks) - 300) * 48_000 == pytest.approx(-6.48, abs=0.005)


def test_what_rounding_adds_up_to_is_made_up_for() -> None:
    """Three hours at 93: one event alone would end 233 samples early, seven ticks."""
    tempo_map = map_of_marks([TempoMark(bar=1, tempo_bpm=93)])
    compare(tempo_map, 1, 4185)


def test_events_and_texts() -> None:
    tempo_map = map_of_marks([TempoMark(bar=1, tempo_bpm=120, meter="6/8")])
    content = write_midi(
        tempo_map,
        tempo_map.quarter_of(0),
        tempo_map.quarter_of(9),
        name="Fähre Łódź 舟\x1b[0m",
        texts=["bar 1 is sample 72,000"],
        markers=[
            Marker(quarter=Fraction(0), text="Verse"),
            Marker(quarter=Fraction(-9), text="before the start"),
        ],
        tracks=[MapTrack(name="Findings", markers=(Marker(quarter=Fraction(1, 3), text="x"),))],
    )
    file = opened(content)
    assert (file.type, file.ticks_per_beat, len(file.tracks)) == (1, 960, 2)
    assert [(m.type, m.time) for m in file.tracks[0]] == [
        ("track_name", 0), ("text", 0), ("time_signature", 0), ("set_tempo", 0), ("marker", 2880),
        ("end_of_track", 23_040),
    ]  # fmt: skip
    assert file.tracks[0].name == "Fähre ?ódz ? [0m"  # mido reads ISO 8859-1
    assert bytes.fromhex("FF 58 04 06 03 24 08") in content  # RP-001, its example for 6/8
    assert [(m.type, m.time) for m in file.tracks[1]] == [
        ("track_name", 0), ("marker", 3_200), ("end_of_track", 22_720),
    ]  # fmt: skip


def test_what_was_read_is_written_again_as_it_was() -> None:
    """Tempo and meter of a file with another division survive to the tick."""
    source = mido.MidiFile(type=1, ticks_per_beat=1024)
    source.tracks.append(
        mido.MidiTrack(
            [
                mido.MetaMessage("time_signature", numerator=3, denominator=4),
                mido.MetaMessage("set_tempo", tempo=612_345),
                mido.MetaMessage("set_tempo", tempo=712_345, time=1_001),
                mido.MetaMessage("time_signature", numerator=4, denominator=4, time=5_143),
            ]
        )
    )
    out = io.BytesIO()
    source.save(file=out)
    tempo_map = map_of_midi(read_midi_tempo(out.getvalue()))
    again = map_of_midi(read_midi_tempo(write_midi(tempo_map, Fraction(0), Fraction(40))))
    assert again.tempos == tempo_map.tempos
    assert again.meters == tempo_map.meters


def test_the_slowest_tempo() -> None:
    """24 bits of microseconds: 16,777,215 a quarter note, 3.576 a minute."""
    assert mido.tempo2bpm(0xFFFFFF) == pytest.approx(3.576, abs=5e-4)
    slow = map_of_marks([TempoMark(bar=1, tempo_bpm=3.58)])
    assert Read(write_midi(slow, Fraction(0), Fraction(4))).tempos == [(0, 16_759_777)]
    with pytest.raises(ValueError, match=r"3\.58"):
        write_midi(map_of_marks([TempoMark(bar=1, tempo_bpm=3.5)]), Fraction(0), Fraction(4))
