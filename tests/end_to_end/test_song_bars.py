"""From a session sheet to click, tempo map and markers that agree to the sample.

The expected places of bars are worked out here by plain arithmetic, not by the project's map; the
MIDI file is read by mido.
"""

from __future__ import annotations

import csv
import io
import shutil
import struct
from dataclasses import dataclass
from fractions import Fraction
from pathlib import Path

import mido
import numpy as np
import pytest
import soundfile

from stemprep.app.check.inspect import inspect
from stemprep.app.delivery.deliver import deliver, plan
from stemprep.engine import InlineEngine
from stemprep.errors import SpecError
from tests import signals
from tests.end_to_end import drops

RATE_HZ = 48_000
SPEC = """\
title: For a test
purpose: Click, tempo map and markers alone
extends: overdub
contents:
  companions: [click, tempo-map, markers]
  cue_points: true
"""
HEAD = "title: Slow Ferry Home\nsongs:\n  - title: Slow Ferry Home\n    files: ['*']\n"
STEADY = """\
    bar_1: {timecode: "01:00:06:00", frame_rate: 25}
    count_in_bars: 2
    tempo_map:
      - {bar: 1, tempo_bpm: 93, meter: 4/4}
"""
CHANGING = """\
    bar_1: {timecode: "01:00:06:00", frame_rate: 25}
    count_in_bars: 1
    tempo_map:
      - {bar: 1, tempo_bpm: 100, meter: 4/4}
      - {bar: 3, meter: 7/8}
      - {bar: 5, tempo_bpm: 133.3, ramp: true}
      - {bar: 9, tempo_bpm: 87.5, meter: 3/4}
    sections:
      - {name: Verse, bar: 1}
      - {name: Bridge, bar: 5}
"""
FROM_FILE = """\
    bar_1: {timecode: "01:00:06:00", frame_rate: 25}
    count_in_bars: 1
    tempo_file: the map.mid
"""


@dataclass(frozen=True)
class Bars:
    """Quarter notes and seconds of every bar line from ``first`` on, relative to bar 1."""

    first: int
    quarters: list[Fraction]
    seconds: list[Fraction]
    beats: list[list[Fraction]]


def bars_of(first: int, spans: list[tuple[int, int, int, Fraction, Fraction]]) -> Bars:
    """spans: (bars, beats, note value, length of a quarter at the start and end of the span, s)."""
    quarter = second = Fraction(0)
    quarters, seconds, beats = [], [], []
    for count, per_bar, unit, before, after in spans:
        length = Fraction(4 * per_bar * count, unit)

        def passed(
            place: Fraction,
            before: Fraction = before,
            after: Fraction = after,
            length: Fraction = length,
        ) -> Fraction:
            return before * place + (after - before) * place * place / (2 * length)

        for bar in range(count):
            start = Fraction(4 * per_bar * bar, unit)
            quarters.append(quarter + start)
            seconds.append(second + passed(start))
            beats.append(
                [second + passed(start + Fraction(4 * beat, unit)) for beat in range(per_bar)]
            )
        quarter, second = quarter + length, second + passed(length)
    at = 1 - first
    return Bars(
        first=first,
        quarters=[each - quarters[at] for each in quarters],
        seconds=[each - seconds[at] for each in seconds],
        beats=[[beat - seconds[at] for beat in bar] for bar in beats],
    )


def expected(sheet: str) -> Bars:
    if sheet == STEADY:
        length = Fraction(60, 93)
        return bars_of(-1, [(20, 4, 4, length, length)])
    first = Fraction(60, 100)
    if sheet == FROM_FILE:
        slow = Fraction(645_161, 1_000_000)
        return bars_of(0, [(1, 4, 4, slow, slow), (4, 4, 4, slow, slow),
                           (12, 3, 4, Fraction(1, 2), Fraction(1, 2))])  # fmt: skip
    fast, last = 60 / Fraction("133.3"), 60 / Fraction("87.5")
    return bars_of(0, [(1, 4, 4, first, first), (2, 4, 4, first, first), (2, 7, 8, first, first),
                       (4, 7, 8, fast, last), (10, 3, 4, last, last)])  # fmt: skip


def nearest(second: Fraction) -> int:
    return int((second * RATE_HZ + Fraction(1, 2)) // 1)


def dropped_map() -> bytes:
    file = mido.MidiFile(type=1, ticks_per_beat=480)
    file.tracks.append(
        mido.MidiTrack(
            [
                mido.MetaMessage("set_tempo", tempo=645_161),
                mido.MetaMessage("marker", text="Intro"),
                mido.MetaMessage("time_signature", numerator=3, denominator=4, time=16 * 480),
                mido.MetaMessage("set_tempo", tempo=500_000),
                mido.MetaMessage("marker", text="Verse"),
            ]
        )
    )
    out = io.BytesIO()
    file.save(file=out)
    return out.getvalue()


@pytest.fixture(
    scope="module", params=[STEADY, CHANGING, FROM_FILE], ids=["steady", "ramp", "midi"]
)
def delivered(
    request: pytest.FixtureRequest, tmp_path_factory: pytest.TempPathFactory
) -> tuple[str, Path]:
    """A kick from bar 1 on and a clipped guitar, delivered; the sheet and the package's payload."""
    place = tmp_path_factory.mktemp("bars")
    drop = place / "Slow Ferry Home"
    kick = np.pad(drops.note(peak_dbfs=-9, seconds=20.0), ((0, 0), (6 * RATE_HZ, 0)))
    drops.write_take(drop / "01 Kick.wav", kick)
    guitar = np.pad(drops.note(peak_dbfs=-9, seconds=18.0), ((0, 0), (8 * RATE_HZ, 0)))
    guitar[0, 10 * RATE_HZ : 10 * RATE_HZ + 40] = 1.0
    drops.write_take(drop / "02 Guitar.wav", guitar)
    (drop / "the map.mid").write_bytes(dropped_map())
    (drop / "session.yaml").write_text(HEAD + request.param)
    (place / "bars.yaml").write_text(SPEC)
    report = deliver(drop, place / "bars.yaml", [place / "out"], engine=InlineEngine())
    assert report.package is not None, [finding.message for finding in report.findings]
    return request.param, Path(report.package) / "data"


def clicks(payload: Path) -> tuple[list[int], list[int]]:
    """First samples of all ticks, and of the louder ones."""
    sound, rate_hz = soundfile.read(payload / "click/click.wav", dtype="int32")
    assert rate_hz == RATE_HZ
    loud = np.flatnonzero(sound)
    onsets = loud[np.diff(loud, prepend=-100) > 64]
    peaks = np.abs(sound[onsets] / 2**31)
    return onsets.tolist(), onsets[peaks > 0.2].tolist()


def test_files_begin_at_the_count_in(delivered: tuple[str, Path]) -> None:
    sheet, payload = delivered
    bars = expected(sheet)
    start = 3600 * RATE_HZ + 6 * RATE_HZ + nearest(bars.seconds[0])
    kick, _ = soundfile.read(next(payload.glob("tracks/01*Kick*.wav")), dtype="int32")
    dropped, _ = soundfile.read(payload.parents[2] / "Slow Ferry Home/01 Kick.wav", dtype="int32")
    cut = start - 3600 * RATE_HZ
    assert np.array_equal(kick[: dropped.size - cut], dropped[cut:])


def test_clicks_stand_on_the_beats(delivered: tuple[str, Path]) -> None:
    sheet, payload = delivered
    bars = expected(sheet)
    begin = nearest(bars.seconds[0])
    onsets, accents = clicks(payload)
    frames = soundfile.info(payload / "click/click.wav").frames
    beats = [nearest(beat) - begin for bar in bars.beats for beat in bar]
    assert onsets == [beat for beat in beats if beat < frames]
    lines = [nearest(second) - begin for second in bars.seconds]
    assert accents == [line for line in lines if line < frames]
    assert -begin in accents  # bar 1: the exact sample that a room measures itself by


def test_the_midi_file_agrees_with_the_click(delivered: tuple[str, Path]) -> None:
    """Bar lines and times by mido, within half a tick of the samples that click."""
    sheet, payload = delivered
    bars = expected(sheet)
    file = mido.MidiFile(payload / "tempo-map.mid")
    tempo, tick, second, seconds = 500_000, 0, 0.0, {0: 0.0}
    marks = {int(q * file.ticks_per_beat - bars.quarters[0] * file.ticks_per_beat)
             for q in bars.quarters}  # fmt: skip
    tick_s = 0.0
    for message in file.tracks[0]:
        for place in sorted(mark for mark in marks if tick < mark <= tick + message.time):
            seconds[place] = second + mido.tick2second(place - tick, file.ticks_per_beat, tempo)
        second += mido.tick2second(message.time, file.ticks_per_beat, tempo)
        tick += message.time
        if message.type == "set_tempo":
            tempo = message.tempo
            tick_s = max(tick_s, tempo / 1e6 / file.ticks_per_beat)
    _, accents = clicks(payload)
    read = [seconds[place] for place in sorted(seconds)][: len(accents)]
    assert len(read) == len(accents)
    for sample, place in zip(accents, read, strict=True):
        assert abs(sample / RATE_HZ - place) <= tick_s / 2 + 0.5 / RATE_HZ


def test_the_midi_file_tells_sections_and_findings(delivered: tuple[str, Path]) -> None:
    sheet, payload = delivered
    file = mido.MidiFile(payload / "tempo-map.mid")
    names = [message.text for message in file.tracks[0] if message.type == "marker"]
    sections = {STEADY: [], CHANGING: ["Verse", "Bridge"], FROM_FILE: ["Intro", "Verse"]}
    assert names == ["Bar 1", *sections[sheet]]
    texts = [message.text for message in file.tracks[0] if message.type == "text"]
    assert "first sample of every file" in texts[0]
    found = [message.text for message in file.tracks[1] if message.type == "marker"]
    assert any(text.startswith("clipping: ") for text in found)


def test_markers_tell_bars_timecode_and_samples(delivered: tuple[str, Path]) -> None:
    sheet, payload = delivered
    bars = expected(sheet)
    begin = nearest(bars.seconds[0])
    rows = list(csv.DictReader(io.StringIO((payload / "markers.csv").read_text())))
    (bar_1,) = [row for row in rows if row["kind"] == "bar 1"]
    assert (bar_1["bar"], bar_1["beat"], bar_1["timecode"]) == ("1", "1", "01:00:06:00")
    assert int(bar_1["file_samples"]) == -begin
    assert int(bar_1["timeline_samples"]) == 3606 * RATE_HZ
    (clip,) = [row for row in rows if row["name"] == "clipping"]
    at = 4 * RATE_HZ - begin  # 10 s into the dropped file, 4 s after bar 1
    assert int(clip["file_samples"]) == at
    sound, _ = soundfile.read(payload / clip["file"])
    assert sound[at] > 0.999 > sound[at - 1]
    bar = max(n for n, second in enumerate(bars.seconds) if second <= 4) + bars.first
    assert int(clip["bar"]) == bar
    assert next(row["name"] for row in rows if row["kind"] == "meter") == "4/4"
    assert all("" not in (row["file_samples"], row["bar"]) for row in rows)


def riff_chunks(path: Path) -> dict[bytes, bytes]:
    """Chunks of a WAV file by their names, read by hand (RIFF, 1991: id, size, padded content)."""
    content, at, found = path.read_bytes(), 12, {}
    while at + 8 <= len(content):
        name, size = struct.unpack_from("<4sI", content, at)
        body = content[at + 8 : at + 8 + size]
        found[name + body[:4] if name == b"LIST" else name] = body
        at += 8 + size + (size & 1)
    return found


def test_ordered_cue_points_stand_in_the_copies(delivered: tuple[str, Path]) -> None:
    """Bar 1, sections, changes and warnings, on the samples that the table of markers tells."""
    _, payload = delivered
    rows = list(csv.DictReader(io.StringIO((payload / "markers.csv").read_text())))
    guitar = next(payload.glob("tracks/02*Guitar*.wav"))
    chunks = riff_chunks(guitar)
    (count,) = struct.unpack_from("<I", chunks[b"cue "])
    points = [struct.unpack_from("<II4sIII", chunks[b"cue "], 4 + 24 * n) for n in range(count)]
    expected_places = sorted(
        int(row["file_samples"])
        for row in rows
        if row["kind"] in ("bar 1", "section", "tempo", "meter")
        or (row["kind"] == "finding" and row["severity"] == "warn")
    )
    assert [point[5] for point in points] == expected_places
    assert b"clipping\0" in chunks[b"LISTadtl"]
    kick = riff_chunks(next(payload.glob("tracks/01*Kick*.wav")))
    assert b"bar 1\0" in kick[b"LISTadtl"]
    assert b"clipping" not in kick[b"LISTadtl"]


def test_the_text_report_tells_the_bar(delivered: tuple[str, Path]) -> None:
    sheet, payload = delivered
    report = inspect(payload.parents[2] / "Slow Ferry Home", "overdub", engine=InlineEngine())
    (clip,) = [finding for finding in report.findings if finding.check == "clipping"]
    bars = expected(sheet)
    bar = max(n for n, second in enumerate(bars.seconds) if second <= 4)
    beat = sum(start <= 4 for start in bars.beats[bar])
    assert clip.start_bar == f"{bar + bars.first}.{beat}"


def test_the_same_drop_gives_the_same_click_and_map(
    delivered: tuple[str, Path], tmp_path: Path
) -> None:
    _, payload = delivered
    place = payload.parents[2]
    report = deliver(
        place / "Slow Ferry Home", place / "bars.yaml", [tmp_path], engine=InlineEngine()
    )
    again = Path(report.package or "") / "data"
    for name in ("click/click.wav", "tempo-map.mid", "markers.csv"):
        assert (again / name).read_bytes() == (payload / name).read_bytes()


def small_drop(place: Path, sheet: str) -> Path:
    drop = place / "drop"
    drops.write_take(drop / "01 Kick.wav", signals.pluck(peak_dbfs=-9, seconds=2.0), start_s=None)
    (drop / "session.yaml").write_text(sheet)
    (place / "bars.yaml").write_text(SPEC)
    return drop


@pytest.mark.parametrize("sheet", [HEAD, HEAD + "    bar_1: {samples: 0}\n    free_time: true\n"])
def test_without_bars_there_is_neither_click_nor_map(sheet: str, tmp_path: Path) -> None:
    drop = small_drop(tmp_path, sheet)
    planned = plan(drop, tmp_path / "bars.yaml", engine=InlineEngine()).plan
    assert planned is not None
    assert [companion.kind for companion in planned.companions] == ["markers"]
    assert any("no click or tempo map" in note.casefold() for note in planned.notes)


@pytest.mark.parametrize(
    ("content", "reason"),
    [(None, "is not in the drop"), (b"MThd", "is no Standard MIDI File"), ("link", "is not in")],
)
def test_a_tempo_file_that_cannot_be_read_is_told_at_its_place(
    content: bytes | str | None, reason: str, tmp_path: Path
) -> None:
    drop = small_drop(tmp_path, HEAD + "    bar_1: {samples: 0}\n    tempo_file: the map.mid\n")
    if content == "link":
        (tmp_path / "map.mid").write_bytes(dropped_map())
        (drop / "the map.mid").symlink_to("../map.mid")
    elif isinstance(content, bytes):
        (drop / "the map.mid").write_bytes(content)
    with pytest.raises(SpecError) as caught:
        inspect(drop, "overdub", engine=InlineEngine())
    (told,) = caught.value.problems
    assert told.startswith('session.yaml:6:17: songs[1].tempo_file: "the map.mid" is')
    assert reason in told


def test_a_tempo_file_is_found_in_a_zip_too(tmp_path: Path) -> None:
    drop = small_drop(tmp_path, HEAD + "    bar_1: {samples: 0}\n    tempo_file: maps/a.mid\n")
    (drop / "maps").mkdir()
    (drop / "maps/a.mid").write_bytes(dropped_map())
    packed = shutil.make_archive(str(tmp_path / "Session"), "zip", tmp_path, "drop")
    planned = plan(Path(packed), tmp_path / "bars.yaml", engine=InlineEngine()).plan
    assert planned is not None
    assert [companion.kind for companion in planned.companions] == ["click", "markers", "tempo-map"]


def test_each_song_has_its_own_map(tmp_path: Path) -> None:
    drop = tmp_path / "drop"
    for folder, seconds in (("Ferry", 3.0), ("Harbour", 5.0), ("Quay", 4.0)):
        sound = drops.note(peak_dbfs=-9, seconds=seconds)
        drops.write_take(drop / folder / "01 Kick.wav", sound, start_s=None)
    (drop / "session.yaml").write_text(
        "songs:\n"
        "  - {title: Ferry, bar_1: {samples: 0}, tempo_map: [{bar: 1, tempo_bpm: 60}]}\n"
        "  - {title: Harbour, bar_1: {samples: 0}, tempo_map: [{bar: 1, tempo_bpm: 120}]}\n"
        "  - {title: Quay}\n"
    )
    (tmp_path / "bars.yaml").write_text(SPEC)
    report = deliver(drop, tmp_path / "bars.yaml", [tmp_path / "out"], engine=InlineEngine())
    payload = Path(report.package or "") / "data"
    assert {str(path.relative_to(payload)) for path in payload.rglob("*.mid")} == {
        "Ferry/tempo-map.mid", "Harbour/tempo-map.mid",
    }  # fmt: skip
    for song, beats in (("Ferry", 3), ("Harbour", 10)):
        sound, _ = soundfile.read(payload / song / "click/click.wav", dtype="int32")
        assert np.count_nonzero(np.diff(np.flatnonzero(sound), prepend=-100) > 64) == beats
    assert (payload / "Quay/markers.csv").exists()
    assert not (payload / "Quay/click").exists()
