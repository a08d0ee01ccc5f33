from __future__ import annotations

from stemprep.checks import judge
from stemprep.model.sheet import SessionSheet, SongNote
from tests.checks.factory import findings_of, measured_file, session, spec

CODES = ("ZZ-ABC-26-00001", "ZZ-ABC-26-00002", "ZZ-ABC-26-00002", None, None)


def test_one_code_on_two_songs() -> None:
    songs = tuple(SongNote(title=f"Song {n}", isrc=code) for n, code in enumerate(CODES))
    measured = session(measured_file(), sheet=SessionSheet(songs=songs))
    (finding,) = findings_of(judge(measured, spec()), "recording-code")
    assert finding.message == "the ISRC ZZ-ABC-26-00002 is given to 2 songs: Song 1, Song 2"


def test_a_code_each_and_no_sheet_pass() -> None:
    songs = tuple(SongNote(title=code, isrc=code) for code in CODES[:2] if code)
    for sheet in (SessionSheet(songs=songs), None):
        measured = session(measured_file(), sheet=sheet)
        assert not findings_of(judge(measured, spec()), "recording-code")
