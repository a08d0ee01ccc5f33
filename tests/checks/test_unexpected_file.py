from __future__ import annotations

from stemprep.checks import judge
from stemprep.model.sheet import SessionSheet, SongNote, TrackNote
from tests.checks.factory import entry, findings_of, measured_file, session, spec


def test_documents_are_listed_in_one_finding() -> None:
    others = [entry("lyrics.txt", "document"), entry("map.mid", "document")]
    judgement = judge(session(measured_file(), others=others), spec())
    (finding,) = findings_of(judgement, "unexpected-file")
    assert (finding.file, finding.files) == (None, ("lyrics.txt", "map.mid"))
    assert finding.message == "2 files that are no audio: lyrics.txt, map.mid"


def test_audio_that_no_line_of_the_sheet_matches_is_a_note() -> None:
    note = TrackNote(pattern="a.wav")
    sheet = SessionSheet(tracks=(note,), songs=(SongNote(title="Song", reference_mix="mix.wav"),))
    files = measured_file("a.wav", note=note), measured_file("b.wav"), measured_file("mix.wav")
    (finding,) = findings_of(judge(session(*files, sheet=sheet), spec()), "unexpected-file")
    assert (finding.file, finding.severity) == ("b.wav", "note")


def test_a_sheet_without_tracks_expects_nothing() -> None:
    judgement = judge(session(measured_file(), sheet=SessionSheet()), spec())
    assert not findings_of(judgement, "unexpected-file")


def test_patterns_of_a_song_count_from_the_sheets_folder() -> None:
    song = SongNote(title="Song", files=("Stems/*.wav",), reference_mix="mix?.wav")
    sheet = SessionSheet(tracks=(TrackNote(pattern="a.wav"),), songs=(song,))
    files = [measured_file(f"Drop/{name}") for name in ("Stems/b.wav", "mix1.wav", "odd.wav")]
    measured = session(*files, sheet=sheet, others=[entry("Drop/session.yaml", "sheet")])
    (finding,) = findings_of(judge(measured, spec()), "unexpected-file")
    assert finding.file == "Drop/odd.wav"
