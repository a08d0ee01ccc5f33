"""What the note tells at a glance, and operations in words."""

from __future__ import annotations

import dataclasses

import pytest

from stemprep.model.package import WrittenFile
from stemprep.model.plan import Operation, StartReference
from stemprep.model.sheet import BarOne, MidiTempo, SessionSheet, SongNote, TempoMark
from stemprep.report.glance import bar_1_words, glance_lines
from stemprep.report.operations import operation_title, operation_words
from tests.report import factory


def written(rate_hz: int, start_samples: int | None, frames: int) -> WrittenFile:
    file = factory.measured_file(
        f"{rate_hz} {frames}.wav",
        frames=frames,
        time_reference_samples=start_samples,
        format_=factory.audio_format(sample_rate_hz=rate_hz),
    )
    return dataclasses.replace(factory.written_files()[0], after=file.facts)


def lines(*files: WrittenFile, sheet: SessionSheet | None = None) -> dict[str, str]:
    return dict(glance_lines("", files, sheet))


def test_one_start_at_two_rates_is_one_start() -> None:
    told = lines(written(48_000, 172_800_000, 96_000), written(44_100, 158_760_000, 88_200))
    assert told["Start"].endswith("every file: import all at one position")
    assert told["Format"] == "WAV, 44.1 kHz, 24-bit: 1 file; WAV, 48 kHz, 24-bit: 1 file"


def test_a_start_that_only_some_files_carry_is_told_as_such() -> None:
    told = lines(written(48_000, 0, 96_000), written(48_000, None, 96_000))
    assert "no start time in the file: 1 file" in told["Start"]
    assert "import all" not in told["Start"]


def test_no_start_at_all() -> None:
    assert "file starts" in lines(written(48_000, None, 96_000))["Start"]


def test_bar_1_of_the_sheet_where_nothing_was_laid_out_by_it() -> None:
    timed = SongNote(title="A", bar_1=BarOne(timecode="01:00:02:00", frame_rate="25"))
    told = lines(written(48_000, None, 96_000), sheet=SessionSheet(songs=(timed,)))
    assert told["Bar 1"].startswith("timecode 01:00:02:00 at 25 frames/s, as the session sheet")
    counted = SongNote(title="A", bar_1=BarOne(samples=96_000))
    told = lines(written(48_000, None, 96_000), sheet=SessionSheet(songs=(counted,)))
    assert told["Bar 1"].startswith("sample 96,000 as time references count")
    silent = SessionSheet(songs=(SongNote(title="A"),))
    assert "Bar 1" not in lines(written(48_000, None, 96_000), sheet=silent)


def test_tempo_of_the_sheet() -> None:
    marks = (
        TempoMark(bar=1, tempo_bpm=96, meter="4/4", is_ramp=True),
        TempoMark(bar=9, meter="3/4"),
    )
    sheet = SessionSheet(songs=(SongNote(title="Low Water", tempo_map=marks),))
    told = lines(written(48_000, None, 96_000), sheet=sheet)
    assert told["Tempo"] == "bar 1: 96 BPM 4/4, gliding to the next; bar 9: 3/4"


def test_a_tempo_in_eighths_says_what_it_counts() -> None:
    """People may count 6/8 in dotted quarters."""
    marks = (TempoMark(bar=1, tempo_bpm=97.3, meter="6/8"),)
    sheet = SessionSheet(songs=(SongNote(title="Low Water", tempo_map=marks),))
    told = lines(written(48_000, None, 96_000), sheet=sheet)
    assert told["Tempo"] == "bar 1: 97.3 BPM 6/8; BPM counts quarter notes"


def test_tempo_of_a_file_and_of_none() -> None:
    read = MidiTempo(
        ticks_per_quarter=480, tempos=((0, 500_000), (3840, 600_000)), meters=((3840, 6, 8),)
    )
    song = SongNote(title="Low Water", tempo_file="map.mid", tempo_read=read)
    told = lines(written(48_000, None, 96_000), sheet=SessionSheet(songs=(song,)))
    assert told["Tempo"] == (
        "bar 1: 4/4, 120 quarter notes a minute; bar 3: 6/8, 100 quarter notes a minute"
    )
    free = SessionSheet(songs=(SongNote(title="Low Water", is_free_time=True),))
    assert lines(written(48_000, None, 96_000), sheet=free)["Tempo"] == "free time"


def test_of_a_long_map_the_first_changes_are_told() -> None:
    marks = tuple(TempoMark(bar=bar, tempo_bpm=90 + bar) for bar in range(1, 101))
    sheet = SessionSheet(songs=(SongNote(title="Low Water", tempo_map=marks),))
    told = lines(written(48_000, None, 96_000), sheet=sheet)["Tempo"]
    assert told.endswith("bar 8: 98 BPM; 92 more changes")


@pytest.mark.parametrize(
    ("reference", "words"),
    [
        (StartReference(rate_hz=48_000, unknown="nobody says"), ""),
        (StartReference(rate_hz=48_000, bar_1_samples=0), "sample 0 of every file (0:00.000)"),
        (
            StartReference(
                rate_hz=48_000, bar_1_samples=96_000, start_bar="0.1", is_on_bar_line=True,
                bar_1_timecode="01:00:00:00", frame_rate="25",
            ),
            "sample 96,000 of every file (0:02.000), timecode 01:00:00:00 at 25 frames/s; "
            "the files begin 1 bar before it",
        ),
        (
            StartReference(rate_hz=48_000, bar_1_samples=-96_001, start_bar="2.1"),
            "96,001 samples before every file begins; the files begin in bar 2, after beat 1",
        ),
    ],
)  # fmt: skip
def test_bar_1(reference: StartReference, words: str) -> None:
    assert bar_1_words(reference) == words


@pytest.mark.parametrize(
    ("operation", "words"),
    [
        (
            Operation(name="place", parameters={"head_samples": 120_000}),
            "place: placed on the timeline: 120,000 samples (2.500 s) of silence in front",
        ),
        (
            Operation(name="place", parameters={"head_samples": -1}),
            "place: placed on the timeline: the first 1 sample (0.000 s) cut",
        ),
        (
            Operation(name="gain", parameters={"gain_db": 0.0, "is_inverted": True}),
            "gain: inverted in polarity",
        ),
        (
            Operation(name="gain", parameters={"gain_db": -3.0}),
            "gain: changed in level by one gain: -3.00 dB",
        ),
        (
            Operation(
                name="convert-word-length",
                parameters={"from_bits": 24, "to_bits": 24, "dither": "tpdf"},
            ),
            "convert-word-length: rounded to its word length: 24 bits, TPDF dither",
        ),
        (
            Operation(name="pad", parameters={"head_samples": 0, "tail_samples": 37}),
            "pad: padded with silence: 37 samples (0.001 s) at the end",
        ),
    ],
)
def test_operations_in_words(operation: Operation, words: str) -> None:
    assert operation_words(operation, 48_000) == words
    assert words.startswith(f"{operation.name}: {operation_title(operation)}")
