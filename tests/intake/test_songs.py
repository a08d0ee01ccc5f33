from __future__ import annotations

import pytest

from stemprep.intake.session import groups_by_name
from stemprep.intake.songs import songs_by_folder, songs_by_sheet
from stemprep.model.sheet import SongNote
from stemprep.naming.patterns import PathIndex


@pytest.mark.parametrize(
    ("paths", "songs"),
    [
        (["a.wav"], [""]),
        ([], []),
        (["Dawn/a.wav"], [""]),
        (["Dawn/a.wav", "Noon/b.wav"], ["Dawn", "Noon"]),
        (["Dawn/Stems/a.wav", "Noon/Mixes/b.wav"], ["Dawn", "Noon"]),
        (["Album/Dawn/a.wav", "Album/Noon/b.wav"], ["Dawn", "Noon"]),
        (["Song 1/a.wav", "Song 2/a.wav"], ["Song 1", "Song 2"]),
        (["Stems/a.wav", "Mixes/b.wav"], ["", ""]),
        (["Drums/a.wav", "Lead Vox/b.wav"], ["", ""]),
        (["Take 1/a.wav", "Take 2/b.wav"], ["", ""]),
        (["01/a.wav", "02/b.wav"], ["", ""]),
        (["Dawn/a.wav", "Noon/b.wav", "mix.wav"], ["", "", ""]),
        (["Dawn/a.wav", "Stems/b.wav"], ["", ""]),
        (["Dawn/a.wav", "Noon/b.wav", "Alternates/c.wav"], ["Dawn", "Noon", ""]),
        (
            ["Dawn Stems/a.wav", "Dawn Mixes/b.wav", "Noon_Stems 48k24/c.wav"],
            ["Dawn", "Dawn", "Noon"],
        ),
        (
            ["Dawn Stems/a.wav", "Noon Stems/a.wav", "Dawn_MIX v3.wav", "02 Noon mix.wav"],
            ["Dawn", "Noon", "Dawn", "Noon"],
        ),
        (
            ["Top/01 Dawn/a.wav", "Top/02 Noon/b.wav", "Top/Album reference loud.wav"],
            ["01 Dawn", "02 Noon", ""],
        ),
        (
            ["Dawn/a.wav", "Dawn Ropewalk/b.wav", "Dawn Ropewalk MIX.wav"],
            ["Dawn", *["Dawn Ropewalk"] * 2],
        ),
        (["Dawn/a.wav", "Noon/b.wav", "Kick.wav", "talkback.wav"], ["", "", "", ""]),
    ],
)
def test_songs_by_folder(paths: list[str], songs: list[str]) -> None:
    assert [songs_by_folder(paths)[path] for path in paths] == songs


def by_sheet(paths: list[str], songs: tuple[SongNote, ...], start: str = "") -> dict[str, str]:
    return songs_by_sheet(paths, songs, PathIndex(paths, start), start)


def test_a_single_song_of_the_sheet_takes_everything() -> None:
    songs = (SongNote(title="Dawn", folder="A"),)
    assert by_sheet(["A/a.wav", "b.wav"], songs) == {"A/a.wav": "Dawn", "b.wav": "Dawn"}


def test_several_songs_by_files_then_folder_then_title() -> None:
    songs = (
        SongNote(title="Dawn", folder="one"),
        SongNote(title="Noon"),
        SongNote(title="Dusk", files=("Dusk*", "one/guest.wav")),
    )
    paths = ["One/a.wav", "one/guest.wav", "NOON/a.wav", "dusk 2.wav", "other.wav", "onex/a.wav"]
    assert list(by_sheet(paths, songs).values()) == [
        "Dawn",
        "Dusk",
        "Noon",
        "Dusk",
        "",
        "",
    ]


def test_folders_count_from_the_sheet_too() -> None:
    songs = (SongNote(title="Dawn", folder="A"), SongNote(title="Noon", folder="B/"))
    assert by_sheet(["Top/A/a.wav", "B/b.wav"], songs, "Top") == {
        "Top/A/a.wav": "Dawn",
        "B/b.wav": "Noon",
    }


def test_microphones_of_one_source_share_a_group() -> None:
    names = ["01_Kick In", "02_Kick Out", "Snare Top", "Snare Bot", "OH L", "OH R", "Room L"]
    names += ["Room R", "Bass DI", "Bass Amp", "Lead Gtr", "Lead Gtr Far", "Gtr.L", "Gtr.R"]
    groups = groups_by_name([f"{name}.wav" for name in names])
    assert list(groups.values()) == [
        *("kick", "kick", "snare", "snare", "oh", "oh", "room", "room", "bass", "bass"),
        *("lead gtr", "lead gtr", "gtr", "gtr"),
    ]


def test_different_sources_takes_and_doubles_are_no_group() -> None:
    names = ["Tom Hi", "Tom Floor", "Rhy Gtr A", "Rhy Gtr B", "Vox 1", "Vox 2", "Hat", "Kick In"]
    assert groups_by_name([f"{name}.wav" for name in names]) == {}


def test_a_title_is_no_part_of_a_group() -> None:
    groups = groups_by_name(["Dawn_Kick In.wav", "Dawn_Kick Out.wav", "Dawn_Hat.wav"])
    assert set(groups.values()) == {"kick"}


def test_a_group_of_two_alone() -> None:
    assert set(groups_by_name(["Kick In.wav", "Kick Out.wav"]).values()) == {"kick"}
