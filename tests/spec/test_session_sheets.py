"""The session sheet: what it says, and what it may not."""

from __future__ import annotations

import hashlib
import re
from pathlib import Path

import pytest

from stemprep.checks import CHECKS
from stemprep.errors import SpecError
from stemprep.model.sheet import (
    MidiTempo,
    SessionSheet,
    SongNote,
    TrackNote,
    WorkOrder,
)
from stemprep.spec import load_sheet

EXAMPLE = Path(__file__).parents[2] / "configs" / "session.example.yaml"


def sheet(text: str) -> SessionSheet:
    return load_sheet(text.encode(), "session.yaml")


def problem(text: str) -> str:
    with pytest.raises(SpecError) as caught:
        sheet(text)
    return str(caught.value)


def test_the_example_is_valid_and_says_what_it_seems_to_say() -> None:
    content = EXAMPLE.read_bytes()
    read = load_sheet(content, EXAMPLE.name)
    assert read.warnings == ()
    assert read.sha256 == hashlib.sha256(content).hexdigest()
    assert (read.artist, read.is_unreleased, read.delivery) == ("The Tidal Clerks", True, 1)
    assert [song.title for song in read.songs] == ["Low Water", "4718"]
    assert [mark.is_ramp for mark in read.songs[0].tempo_map] == [False, True, False]
    assert read.songs[0].mix_bus_processed is False
    assert read.tracks[0].take == "4"
    assert read.tracks[1].intended == ("distorted",)
    assert read.tracks[3].order == WorkOrder(invert_polarity=True, move_samples=-37, work=("edit",))
    assert (read.waivers[0].start_sample, read.waivers[0].limit) == (480_000, None)


def test_an_almost_empty_sheet_keeps_the_records_defaults() -> None:
    text = "artist: A B\n"
    assert sheet(text) == SessionSheet(
        artist="A B", sha256=hashlib.sha256(text.encode()).hexdigest()
    )
    assert sheet("tracks: [{file: a.wav}]").tracks == (TrackNote(pattern="a.wav"),)
    assert sheet("songs: [{title: A}]").songs == (SongNote(title="A"),)


@pytest.mark.parametrize(
    "key", ["extends", "spec", "deliver_to", "destination", "path", "checks", "target", "inboxes"]
)
def test_it_cannot_steer_the_house(key: str) -> None:
    told = problem(f"artist: A B\n{key}: archive\n")
    assert told.startswith(f"session.yaml:2:1: {key}: no such key here")
    assert "a session sheet travels with the drop and cannot set it" in told


@pytest.mark.parametrize("key", ["tempo_map", "reference_mix", "revision"])
def test_keys_of_a_song_are_sent_there(key: str) -> None:
    assert "belongs to an entry of songs" in problem(f"{key}: 3\n")


@pytest.mark.parametrize(
    "path", ["../other.wav", "/etc/passwd", "a/../../b.wav", "C:\\a.wav", "~/a.wav", "a\\b.wav"]
)
@pytest.mark.parametrize(
    "text",
    [
        "tracks: [{{file: '{}'}}]",
        "tracks: [{{file: a.wav, pair_of: '{}'}}]",
        "tracks: [{{file: a.wav, alternate_of: '{}'}}]",
        "songs: [{{title: A, folder: '{}'}}]",
        "songs: [{{title: A, files: ['{}']}}]",
        "songs: [{{title: A, reference_mix: '{}'}}]",
        "waivers: [{{check: clipping, file: '{}', reason: A B, initials: MK, date: 2026-03-14}}]",
    ],
)
def test_no_path_leads_out_of_the_drop(text: str, path: str) -> None:
    told = problem(text.format(path))
    assert "leads out of the drop" in told or "not relative to the drop" in told


def test_missing_keys_are_told_with_an_example() -> None:
    told = problem("waivers:\n  - check: clipping\n").splitlines()
    assert [line.split(": ")[1] for line in told] == [
        f"waivers[1].{key}" for key in ("file", "reason", "initials", "date")
    ]
    assert all(line.startswith("session.yaml:2:5: ") for line in told)
    assert 'missing; give 1 to 4 letters or digits (for example "MK")' in told[2]


@pytest.mark.parametrize(
    "check", [check for check, known in CHECKS.items() if not known.nature.is_waivable]
)
def test_some_checks_cannot_be_waived(check: str) -> None:
    told = problem(
        f"waivers: [{{check: {check}, file: a.wav, reason: so, initials: MK, date: 2026-03-14}}]"
    )
    assert f'waivers[1].check: "{check}" is not known' in told
    assert re.search(rf"all but [^;]*\b{check}\b[^;]* may stand here", told)


@pytest.mark.parametrize(("check", "hint"), [("clippng", " (did you mean clipping?)"), ("zz", "")])
def test_an_unknown_check_is_told_without_all_others(check: str, hint: str) -> None:
    told = problem(
        f"waivers: [{{check: {check}, file: a.wav, reason: so, initials: MK, date: 2026-03-14}}]"
    )
    assert f'"{check}" is not known{hint}; give the id of a check (`stemprep explain`' in told
    assert "stereo-polarity" not in told


def test_ranges_and_bars_must_rise() -> None:
    waiver = "check: clipping, file: a.wav, reason: so, initials: MK, date: 2026-03-14"
    told = problem(f"waivers: [{{{waiver}, start_sample: 9, end_sample: 9}}]")
    assert "waivers[1]: end_sample: the range ends before it begins" in told
    told = problem("songs: [{title: A, tempo_map: [{bar: 9, tempo_bpm: 90}, {bar: 9}]}]")
    assert "songs[1]: tempo_map: the bars do not rise" in told


@pytest.mark.parametrize(
    ("text", "where"),
    [
        ("songs: [{title: A, tempo_map: [{bar: 1, tempo_bpm: 0}]}]",
         "songs[1].tempo_map[1].tempo_bpm"),
        ("songs: [{title: A, tempo_map: [{bar: 1, meter: 4/5}]}]", "songs[1].tempo_map[1].meter"),
        ("songs: [{title: A, isrc: ZZ1}]", "songs[1].isrc"),
        ("tracks: [{file: a.wav, pan: 101}]", "tracks[1].pan"),
        ("tracks: [{file: a.wav, role: vocals}]", "tracks[1].role"),
        ("tracks: [{file: a.wav, use: maybe}]", "tracks[1].use"),
        ("tracks: [{file: a.wav, intended: distorted}]", "tracks[1].intended"),
        ("tracks: [a.wav]", "tracks[1]"),
        ("tracks: {file: a.wav}", "tracks"),
        ("artist_initials: ABCDE", "artist_initials"),
        ("artist_initials: NO", "artist_initials"),
        ("delivery: 0", "delivery"),
    ],
)  # fmt: skip
def test_values_out_of_form_are_told_at_their_place(text: str, where: str) -> None:
    (line,) = problem(text).splitlines()
    assert line.split(": ")[1] == where
    assert "give " in line or "quote it" in line


def test_names_that_are_not_utf_8_can_be_written() -> None:
    r"""The report writes such bytes as ``\xNN``; the sheet takes them the same way."""
    read = sheet("tracks: [{file: 'Bl\\xE4ser.wav'}]")
    assert read.tracks[0].pattern == "Bl\\xE4ser.wav"


@pytest.mark.parametrize(
    ("text", "told"),
    [
        ("bar_1: {timecode: '01:00:00:25', frame_rate: 25}", "bar_1: timecode: 01:00:00:25 has"),
        ("bar_1: {timecode: '01:01:00;00', frame_rate: 29.97-drop}", "does not exist in drop"),
        ("bar_1: {timecode: '1:00', frame_rate: 25}", "bar_1.timecode"),
        ("bar_1: {timecode: 01:00:00:00, frame_rate: 25}", 'quote it: "01:00:00:00"'),
        ("bar_1: {timecode: '01:00:00:00'}", "bar_1: timecode and frame_rate belong together"),
        ("bar_1: {timecode: '01:00:00:00', frame_rate: 26}", "bar_1.frame_rate"),
        ("bar_1: {}", "bar_1: give either timecode and frame_rate, or samples"),
        ("bar_1: {samples: -1}", "bar_1.samples"),
        ("bar_1: 480", "bar_1"),
        ("count_in_bars: 17", "count_in_bars"),
        ("tempo_map: [{bar: 1, meter: 3/4}]", "tempo_map: the first entry gives no tempo_bpm"),
        ("tempo_map: [{bar: 1, tempo_bpm: 90, ramp: true}]", "the ramp at bar 1 has no later"),
        ("tempo_file: a.mid, free_time: true", "give only one of tempo_map, tempo_file"),
        ("tempo_file: ../a.mid", "tempo_file"),
        ("sections: [{name: A, bar: 9}, {name: B, bar: 2}]", "sections: the bars do not rise"),
    ],
)
def test_bars_and_tempo_are_checked_at_their_place(text: str, told: str) -> None:
    line = problem(f"songs:\n  - {{title: A, {text}}}\n").splitlines()[0]
    assert line.startswith("session.yaml:2:")
    assert told in line


def test_too_long_lists_are_refused() -> None:
    entries = ", ".join(f"{{bar: {bar}, tempo_bpm: 90}}" for bar in range(1, 1_002))
    assert "tempo_map: the list has too many" in problem(
        f"songs: [{{title: A, tempo_map: [{entries}]}}]"
    )


def test_a_tempo_file_is_read_by_who_may_and_told_at_its_place() -> None:
    text = b"songs:\n  - title: A\n    tempo_file: map.mid\n"
    found = MidiTempo(ticks_per_quarter=480, tempos=((0, 500_000),))
    asked: list[str] = []

    def give(path: str) -> MidiTempo:
        asked.append(path)
        return found

    assert load_sheet(text, "session.yaml", give).songs[0].tempo_read == found
    assert asked == ["map.mid"]

    def refuse(path: str) -> MidiTempo:
        raise ValueError("is not in the drop")

    with pytest.raises(SpecError) as caught:
        load_sheet(text, "session.yaml", refuse)
    assert caught.value.problems == (
        'session.yaml:3:17: songs[1].tempo_file: "map.mid" is not in the drop',
    )


def test_a_recording_code_is_kept_as_it_is_printed() -> None:
    """ISO 3901: the hyphens are for print only."""
    for written in ("ZZABC2600002", "zz-abc-26-00002", "ZZ-ABC-2600002"):
        assert sheet(f"songs: [{{title: A, isrc: {written}}}]").songs[0].isrc == "ZZ-ABC-26-00002"


@pytest.mark.parametrize("written", ["6291041500213", "036000291452", "0 36000 29145 2"])
def test_a_product_code_is_held_against_its_check_digit(written: str) -> None:
    """Worked examples of check digits: GS1's own (6291041500213) and a UPC, from memory."""
    digits = written.replace(" ", "")
    assert sheet(f'upc: "{written}"').upc == digits
    wrong = digits[:-1] + str((int(digits[-1]) + 1) % 10)
    assert f"ends in {wrong[-1]}, its check digit would be {digits[-1]}" in problem(
        f'upc: "{wrong}"'
    )


def test_other_lengths_are_no_product_code() -> None:
    assert "upc" in problem("upc: '12345'")
    assert "neither 12 nor 13 digits" in problem("upc: '12345678901234'")


def test_a_song_that_goes_on_into_the_next_has_no_gap() -> None:
    assert sheet("songs: [{title: A, segue: true}]").songs[0].is_segue
    assert "segue" in problem("songs: [{title: A, segue: true, gap_s: 2}]")
