from __future__ import annotations

from fractions import Fraction
from itertools import pairwise

import pytest
from hypothesis import given
from hypothesis import strategies as st

from stemprep.model.sheet import BarOne, MidiTempo, Section, SongNote, TempoMark
from stemprep.timeline import (
    SongTimeline,
    map_of_marks,
    map_of_midi,
    nearest_sample,
    timeline_of_song,
)


def steady(bpm: float, meter: str = "4/4") -> tuple[TempoMark, ...]:
    return (TempoMark(bar=1, tempo_bpm=bpm, meter=meter),)


@pytest.mark.parametrize(
    ("rate_hz", "bpm", "samples"),
    [
        (48_000, 120, Fraction(96_000)),
        (44_100, 120, Fraction(88_200)),
        (48_000, 128, Fraction(90_000)),
        (44_100, 93, Fraction(1138064516, 10_000)),
        (96_000, 140, Fraction(1645714286, 10_000)),
    ],
)
def test_samples_in_a_bar(rate_hz: int, bpm: float, samples: Fraction) -> None:
    """Rate x 60 / tempo x beats x 4 / note value: the figures of the project's fact sheet on
    published standards, section 5.9, to the decimals that it gives.
    """
    exact = map_of_marks(steady(bpm)).second_of_bar(2) * rate_hz
    assert abs(exact - samples) <= Fraction(1, 20_000)
    assert exact == Fraction(rate_hz * 60 * 4, bpm)


@pytest.mark.parametrize(
    ("meter", "quarters"), [("3/4", 3), ("6/8", 3), ("7/8", Fraction(7, 2)), ("5/16", "5/4")]
)
def test_a_bar_holds_beats_of_its_note_value(meter: str, quarters: Fraction) -> None:
    """Tempo counts quarter notes whatever the meter: a bar of 6/8 is as long as one of 3/4."""
    assert map_of_marks(steady(60, meter)).second_of_bar(2) == Fraction(quarters)


def test_long_songs_do_not_drift() -> None:
    """Bar 1001 at 93 is 1000 exact bars on; samples rounded bar by bar would be 452 off."""
    timeline = timeline_of_song(
        SongNote(title="A", bar_1=BarOne(samples=0), tempo_map=steady(93)), 44_100, is_stamped=True
    )
    assert timeline.sample_of(1001) == nearest_sample(Fraction(1000 * 240, 93), 44_100)
    assert abs(timeline.sample_of(1001) - 1000 * timeline.sample_of(2)) == 452


def test_bars_before_the_first_go_on_backwards() -> None:
    timeline = timeline_of_song(
        SongNote(title="A", bar_1=BarOne(samples=480_000), tempo_map=steady(120, "3/4")),
        48_000, is_stamped=True,
    )  # fmt: skip
    assert timeline.sample_of(0) == 480_000 - 72_000
    assert timeline.sample_of(-1, 3) == 480_000 - 96_000
    assert str(timeline.bar_beat_at(480_000 - 1)) == "0.3"


def test_tempo_and_meter_change_from_bar_to_bar() -> None:
    """By hand: 2 bars of 4/4 at 120 (4 s), 2 of 3/4 at 120 (3 s), then 3/4 at 90 (2 s a bar)."""
    tempo_map = map_of_marks(
        (
            TempoMark(bar=1, tempo_bpm=120),
            TempoMark(bar=3, meter="3/4"),
            TempoMark(bar=5, tempo_bpm=90),
        )
    )
    assert [tempo_map.second_of_bar(bar) for bar in (1, 3, 4, 5, 6)] == [
        0, 4, Fraction(11, 2), 7, 9,
    ]  # fmt: skip


def test_a_list_may_begin_in_the_count_in() -> None:
    tempo_map = map_of_marks(
        (TempoMark(bar=-1, tempo_bpm=60, meter="2/4"), TempoMark(bar=1, tempo_bpm=120, meter="4/4"))
    )
    assert [tempo_map.second_of_bar(bar) for bar in (-1, 0, 1, 2)] == [-4, -2, 0, 2]


def test_a_ramp_makes_each_beat_longer_by_the_same() -> None:
    """From 120 (0.5 s) to 60 (1 s) over 8 quarters: 6 s, the mean of the two lengths times 8."""
    tempo_map = map_of_marks(
        (TempoMark(bar=1, tempo_bpm=120, is_ramp=True), TempoMark(bar=3, tempo_bpm=60))
    )
    beats = [tempo_map.second_of_bar(1, beat) for beat in range(1, 10)]
    steps = [later - earlier for earlier, later in pairwise(beats)]
    assert beats[-1] == tempo_map.second_of_bar(3) == 6
    assert {later - earlier for earlier, later in pairwise(steps)} == {Fraction(1, 16)}
    assert tempo_map.bpm_at(tempo_map.quarter_of(2)) == 80
    assert tempo_map.second_of_bar(4) == 10


def test_a_ramp_goes_on_over_a_change_of_meter() -> None:
    tempo_map = map_of_marks(
        (
            TempoMark(bar=1, tempo_bpm=120, is_ramp=True),
            TempoMark(bar=2, meter="2/4"),
            TempoMark(bar=4, tempo_bpm=60),
        )
    )
    assert tempo_map.second_of_bar(4) == 6


def test_what_leads_nowhere_is_refused() -> None:
    with pytest.raises(ValueError, match="no tempo_bpm"):
        map_of_marks((TempoMark(bar=1, meter="3/4"),))
    with pytest.raises(ValueError, match="glide"):
        map_of_marks((TempoMark(bar=1, tempo_bpm=90, is_ramp=True), TempoMark(bar=5, meter="3/4")))


marks = st.lists(
    st.tuples(
        st.integers(1, 12),
        st.one_of(st.none(), st.decimals(20, 300, places=2).map(float)),
        st.sampled_from([None, "4/4", "3/4", "7/8", "5/16", "12/8"]),
        st.booleans(),
    ),
    min_size=1,
    max_size=8,
)


def song(drawn: list[tuple[int, float | None, str | None, bool]]) -> SongTimeline:
    bar, listed = -3, []
    for step, bpm, meter, is_ramp in drawn:
        listed.append(TempoMark(bar=bar, tempo_bpm=bpm, meter=meter, is_ramp=is_ramp))
        bar += step
    first = TempoMark(bar=-4, tempo_bpm=101.3, meter="4/4")
    last = TempoMark(bar=bar, tempo_bpm=77.7)
    note = SongNote(title="A", bar_1=BarOne(samples=1_000_003), tempo_map=(first, *listed, last))
    return timeline_of_song(note, 44_100, is_stamped=True)


@given(marks, st.integers(-8, 120), st.integers(0, 10))
def test_every_beat_is_found_on_its_own_sample(
    drawn: list[tuple[int, float | None, str | None, bool]], bar: int, beat: int
) -> None:
    timeline = song(drawn)
    assert timeline.tempo_map is not None
    beat = 1 + beat % timeline.tempo_map.meter_of(bar).beats
    sample = timeline.sample_of(bar, beat)
    found = timeline.bar_beat_at(sample)
    assert (found.bar, found.beat, found.fraction) == (bar, beat, 0)
    before = timeline.bar_beat_at(sample - 1)
    assert (before.bar, before.beat) < (bar, beat)
    assert timeline.sample_of(before.bar, before.beat) < sample


@given(marks)
def test_bars_rise(drawn: list[tuple[int, float | None, str | None, bool]]) -> None:
    timeline = song(drawn)
    samples = [timeline.sample_of(bar) for bar in range(-10, 120)]
    assert all(later > earlier for earlier, later in pairwise(samples))


def test_a_midi_file_without_meter_is_in_four_four() -> None:
    tempo_map = map_of_midi(MidiTempo(ticks_per_quarter=96, tempos=((0, 600_000),)))
    assert tempo_map.second_of_bar(3) == Fraction(48, 10)


def test_a_midi_meter_inside_a_bar_ends_it_early() -> None:
    midi = MidiTempo(
        ticks_per_quarter=100, tempos=((0, 1_000_000),), meters=((0, 4, 4), (600, 3, 4))
    )
    tempo_map = map_of_midi(midi)
    assert [tempo_map.second_of_bar(bar) for bar in (1, 2, 3, 4)] == [0, 4, 6, 9]
    timeline = SongTimeline(rate_hz=48_000, is_stamped=True, tempo_map=tempo_map, bar_1_sample=0)
    assert [str(timeline.bar_beat_at(second * 48_000)) for second in (4, 5, 6, 7)] == [
        "2.1", "2.2", "3.1", "3.2",
    ]  # fmt: skip


def test_a_midi_tempo_that_starts_late_has_the_default_before_it() -> None:
    """Standard MIDI Files 1.0: without a tempo event 500,000 microseconds a quarter note."""
    midi = MidiTempo(ticks_per_quarter=100, tempos=((400, 1_000_000),))
    assert [map_of_midi(midi).second_of_bar(bar) for bar in (2, 3)] == [2, 6]


def test_markers_on_bar_lines_are_sections_where_the_sheet_has_none() -> None:
    midi = MidiTempo(
        ticks_per_quarter=100,
        tempos=((0, 500_000),),
        markers=((0, "Intro"), (450, "x"), (800, "V")),
    )
    note = SongNote(title="A", bar_1=BarOne(samples=0), tempo_read=midi)
    read = timeline_of_song(note, 48_000, is_stamped=True).sections
    assert read == (Section(name="Intro", bar=1), Section(name="V", bar=3))


def test_what_is_not_said_is_not_guessed() -> None:
    told = timeline_of_song(None, 48_000, is_stamped=True)
    assert not told.has_bars
    assert "where bar 1 lies" in told.no_bar_1
    timecode = SongNote(
        title="A", bar_1=BarOne(timecode="01:00:00:00", frame_rate="25"), is_free_time=True
    )
    told = timeline_of_song(timecode, 48_000, is_stamped=False)
    assert "no file has a time reference" in told.no_bar_1
    assert "free time" in told.no_map
    assert timeline_of_song(timecode, 48_000, is_stamped=True).bar_1_sample == 172_800_000
