from __future__ import annotations

import pytest

from stemprep.intake import drum_of, kit_places


@pytest.mark.parametrize(
    "name", ["Kick In", "03_Snare Top", "SN_BOT", "Hi Tom", "HH", "BD Out", "Bass Drum", "Ride"]
)
def test_close(name: str) -> None:
    assert kit_places([f"{name}.wav"]) == {f"{name}.wav": "close"}


@pytest.mark.parametrize(
    "name",
    [
        "OH L",
        "09_Overhead R",
        "Room L",
        "Mono Kit",
        "Drum Room",
        "Drums Mono",
        "Kit",
        "OH Snare Side",
    ],
)
def test_distant(name: str) -> None:
    assert kit_places([f"{name}.wav"]) == {f"{name}.wav": "distant"}


@pytest.mark.parametrize(
    "name",
    ["Bass DI", "Gtr Room", "Drums", "Kick Sample", "Snare Verb", "Vox Room", "Piano", "Kick Trig"],
)
def test_neither(name: str) -> None:
    assert kit_places([f"{name}.wav"]) == {}


def test_the_song_title_is_not_listened_to() -> None:
    paths = ["Crash Course_Bass.wav", "Crash Course_Piano.wav", "Crash Course_Kick.wav"]
    assert kit_places(paths) == {"Crash Course_Kick.wav": "close"}


def test_two_microphones_of_one_drum_whatever_else_the_name_says() -> None:
    assert drum_of("kick_in.wav") == drum_of("kick_out_inverted.wav") == "kick"
    assert drum_of("Snare Bottom.wav") == "snare"
    assert drum_of("Kick.wav") is None
    assert drum_of("Kick Snare In.wav") is None
