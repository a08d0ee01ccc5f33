from __future__ import annotations

import re
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from stemprep.errors import SpecError
from stemprep.intake import build_session
from stemprep.model.sheet import SessionSheet, SongNote, TrackNote
from stemprep.naming.patterns import MAX_WILDCARD_PATTERNS, PathIndex
from tests.intake.drops import SOUND, make_zip, scan, sources, tree


def test_without_a_sheet_folder_and_names_speak(tmp_path: Path) -> None:
    drop = tree(tmp_path / "drop", ["Kick In.wav", "Kick Out.wav", "Bass DI.wav", "notes.txt"])
    session = build_session(scan(drop), None)
    assert [(s.path, s.role, s.group) for s in session.files] == [
        ("Bass DI.wav", "di", None),
        ("Kick In.wav", "track", "kick"),
        ("Kick Out.wav", "track", "kick"),
    ]
    assert (session.songs, session.sheet, session.unmatched) == (("",), None, ())
    assert len(session.entries) == 4
    assert session.name == "drop"


def test_the_sheet_goes_before_folder_and_name(tmp_path: Path) -> None:
    drop = tree(tmp_path / "drop", ["Stems/Kick.wav", "Stems/Bass.wav"])
    note = TrackNote(pattern="kick.WAV", role="guide", group="kit")
    found = sources(drop, SessionSheet(tracks=(note,)))
    kick = found["Stems/Kick.wav"]
    assert (kick.role, kick.role_evidence) == ("guide", "sheet (kick.WAV)")
    assert (kick.group, kick.note) == ("kit", note)
    assert found["Stems/Bass.wav"].role == "stem"
    assert found["Stems/Bass.wav"].note is None


def test_the_first_matching_note_holds_whole(tmp_path: Path) -> None:
    drop = tree(tmp_path / "drop", ["Kick In.wav", "Kick Out.wav"])
    notes = (
        TrackNote(pattern="Kick In.wav", source="kick"),
        TrackNote(pattern="Kick*", role="guide", group="kit"),
    )
    found = sources(drop, SessionSheet(tracks=notes))
    assert (found["Kick In.wav"].role, found["Kick In.wav"].note) == ("track", notes[0])
    assert (found["Kick Out.wav"].role, found["Kick Out.wav"].group) == ("guide", "kit")


def test_a_master_candidate_is_a_mix_and_missed_where_it_is_not(tmp_path: Path) -> None:
    drop = tree(tmp_path / "drop", ["Final.wav", "Kick.wav"])
    named = SessionSheet(songs=(SongNote(title="A", master_candidate="final.wav"),))
    assert sources(drop, named)["Final.wav"].role == "mix"
    forgotten = SessionSheet(songs=(SongNote(title="A", master_candidate="Last.wav"),))
    assert build_session(scan(drop), forgotten).unmatched == ("Last.wav",)


def test_the_reference_mix_of_a_song_is_its_mix(tmp_path: Path) -> None:
    drop = tree(tmp_path / "drop", ["A/Final.wav", "B/Final.wav"])
    songs = (SongNote(title="A", reference_mix="Final.wav"), SongNote(title="B"))
    found = sources(drop, SessionSheet(songs=songs))
    assert (found["A/Final.wav"].role, found["A/Final.wav"].role_evidence) == (
        "mix",
        "sheet (a mix of A)",
    )
    assert found["B/Final.wav"].role == "track"


def test_songs_stand_in_the_sheets_order_and_the_unclaimed_last(tmp_path: Path) -> None:
    drop = tree(tmp_path / "drop", ["A/a.wav", "B/b.wav", "0.wav"])
    songs = (SongNote(title="B"), SongNote(title="Nowhere"), SongNote(title="A"))
    session = build_session(scan(drop), SessionSheet(songs=songs))
    assert session.songs == ("B", "A", "")
    assert session.unmatched == ("Nowhere",)


def test_patterns_that_meet_nothing_are_told_once(tmp_path: Path) -> None:
    drop = tree(tmp_path / "drop", ["a.wav", "notes.txt"])
    sheet = SessionSheet(
        songs=(SongNote(title="A", folder="gone", files=("b*",), reference_mix="mix.wav"),),
        tracks=tuple(TrackNote(pattern=p) for p in ("a.wav", "*.wav", "c?.wav", "b*")),
    )
    session = build_session(scan(drop), sheet)
    assert session.unmatched == ("gone", "b*", "mix.wav", "c?.wav")


def test_groups_do_not_reach_over_songs(tmp_path: Path) -> None:
    drop = tree(tmp_path / "drop", ["A/Kick In.wav", "B/Kick Out.wav", "A/Hat.wav", "B/Hat.wav"])
    found = sources(drop)
    assert {source.song for source in found.values()} == {"A", "B"}
    assert {source.group for source in found.values()} == {None}


def test_in_a_zip_patterns_count_from_the_sheet(tmp_path: Path) -> None:
    path = make_zip(tmp_path / "d.zip", [("S/x/a.wav", SOUND), ("S/session.yaml", b"x")])
    sheet = SessionSheet(tracks=(TrackNote(pattern="x/a.wav", role="mix"),))
    session = build_session(scan(path), sheet)
    assert (session.files[0].path, session.files[0].role) == ("S/x/a.wav", "mix")
    assert (session.archive, session.unmatched) == ("d.zip", ())


@pytest.mark.parametrize(
    ("pattern", "path", "expected"),
    [
        ("Kick.wav", "Kick.wav", True),
        ("kick.WAV", "sub/KICK.wav", True),
        ("sub/Kick.wav", "sub/Kick.wav", True),
        ("other/Kick.wav", "sub/Kick.wav", False),
        ("*.wav", "sub/Kick.wav", True),
        ("sub/*", "sub/Kick.wav", True),
        ("sub/*", "sub/deep/Kick.wav", False),
        ("K?ck.wav", "Kick.wav", True),
        ("K?ck.wav", "Kck.wav", False),
        ("Kick [in].wav", "Kick [in].wav", True),
        ("Kick [in].wav", "Kick i.wav", False),
        ("e\u0301.wav", "\u00c9.wav", True),
        ("./Kick.wav", "Kick.wav", True),
        ("a*", "a\nb", True),
    ],
)
def test_patterns(pattern: str, path: str, expected: bool) -> None:
    assert PathIndex([path]).named_by(pattern) == ((path,) if expected else ())


def test_a_row_of_stars_takes_no_time() -> None:
    assert PathIndex(["a" * 4000]).named_by("*a" * 200 + "b") == ()
    assert PathIndex(["a/" * 2000]).named_by("*/a" * 200 + "b") == ()


@given(st.text(max_size=20))
def test_a_path_without_wildcards_matches_itself(text: str) -> None:
    path = text.replace("*", "x").replace("?", "x").removeprefix("./").replace("/./", "/")
    assert PathIndex([path]).named_by(path) == (path,)


@given(st.lists(st.text("ab/", min_size=1, max_size=6), unique=True), st.text("ab/*?", min_size=1))
def test_wildcards_never_reach_over_a_slash(paths: list[str], pattern: str) -> None:
    """Against a plain reading of the rule: part by part, each by a regular expression."""
    parts = pattern.removeprefix("./").split("/")
    rules = [re.compile(p.replace("*", ".*").replace("?", ".")) for p in parts]
    wanted = [
        path
        for path in paths
        for found in [path.split("/")[-1:] if len(parts) == 1 else path.split("/")]
        if len(found) == len(parts)
        and all(rule.fullmatch(name) for rule, name in zip(rules, found, strict=True))
    ]
    assert sorted(PathIndex(paths).named_by(pattern)) == sorted(wanted)


def test_a_sheet_of_endless_wildcards_is_refused() -> None:
    index = PathIndex(["a"])
    for number in range(MAX_WILDCARD_PATTERNS):
        index.named_by(f"{number}*")
    index.named_by("0*")
    with pytest.raises(SpecError, match="more than 2,000"):
        index.named_by("one more*")


def test_the_same_drop_elsewhere_gives_the_same_session(tmp_path: Path) -> None:
    paths = ["B/Kick In.wav", "A/kick.wav", "ä.wav", "Z.wav"]
    (tmp_path / "other").mkdir()
    first = build_session(scan(tree(tmp_path / "drop", paths)), None)
    second = build_session(scan(tree(tmp_path / "other" / "drop", paths[::-1])), None)
    assert first.files == second.files
    assert first.entries == second.entries
