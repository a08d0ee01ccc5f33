"""Who plays on a file, and which files are dry twins of printed effects."""

from __future__ import annotations

import pytest

from stemprep.intake import dry_twins, player_of
from stemprep.model.sheet import TrackNote
from stemprep.model.words import Role


@pytest.mark.parametrize(
    ("path", "player"),
    [
        ("03_Lead Vox.wav", "vocals"),
        ("Song_DRUMS.wav", "drums"),
        ("Bass Drum.wav", "drums"),
        ("Synth Bass.wav", "bass"),
        ("Vox Organ.wav", "keys"),
        ("RhyGtr2.wav", "guitars"),
        ("tracks/Lead Vox Verb.wav", "vocals"),
        ("Room.wav", None),
    ],
)
def test_the_last_word_for_a_player_counts(path: str, player: str | None) -> None:
    assert player_of(path, None) == player


def test_the_sheet_goes_before_the_name() -> None:
    note = TrackNote(pattern="*", source="lead singer", group="drums")
    assert player_of("Kick.wav", note) == "vocals"


def test_a_group_of_another_kind_stands_for_itself() -> None:
    assert player_of("17.wav", TrackNote(pattern="*", group="hurdy-gurdy")) == "hurdy-gurdy"


@pytest.mark.parametrize(
    ("files", "twins"),
    [
        ({"Vox dry.wav": "track", "Vox.wav": "track"}, {"Vox dry.wav": "Vox.wav"}),
        ({"Vox dry.wav": "track", "Vox wet.wav": "track"}, {"Vox dry.wav": "Vox wet.wav"}),
        ({"Gtr.wav": "track", "Gtr printed.wav": "track"}, {"Gtr.wav": "Gtr printed.wav"}),
        ({"Vox.wav": "track", "Vox FX.wav": "effect-return"}, {}),
        ({"Vox 1 dry.wav": "track", "Vox 2.wav": "track"}, {}),
        (
            {"01 Vox dry.wav": "track", "02 Vox wet.wav": "track"},
            {"01 Vox dry.wav": "02 Vox wet.wav"},
        ),
        ({"Vox dry.wav": "track"}, {}),
    ],
)
def test_dry_twins(files: dict[str, Role], twins: dict[str, str]) -> None:
    assert dry_twins(files.items()) == twins
