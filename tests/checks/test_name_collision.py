from __future__ import annotations

import pytest

from stemprep.model.rule import Rule
from tests.checks.factory import findings_of, judged, measured_file


def collisions(*paths: str) -> list[tuple[str, tuple[str, ...]]]:
    judgement = judged(
        *(measured_file(path) for path in paths), name_collision=Rule(severity="fail")
    )
    return [(f.severity, f.files) for f in findings_of(judgement, "name-collision")]


@pytest.mark.parametrize("paths", [
    ("KICK.WAV", "Kick.wav", "kick.wav"), ("Lead.aif", "Lead.wav"),
    ("Bla\u0308ser.wav", "Bl\u00e4ser.wav"), ("a/Kick.wav", "A/kick.wav"), ("a_.wav", "a?.wav"),
])  # fmt: skip
def test_names_that_become_one_file(paths: tuple[str, ...]) -> None:
    ((severity, files),) = collisions(*paths)
    assert severity == "fail"
    assert set(files) == set(paths)


@pytest.mark.parametrize("paths", [
    ("Gtr #1.wav", "Gtr 1.wav", "Gtr_1.wav"), ("Vox/Lead.wav", "Vox_Lead.wav"),
])  # fmt: skip
def test_names_that_are_nearly_one_are_a_warning(paths: tuple[str, ...]) -> None:
    ((severity, files),) = collisions(*paths)
    assert severity == "warn"
    assert set(files) == set(paths)


@pytest.mark.parametrize("paths", [
    ("Gtr 1.wav", "Gtr 2.wav"), ("A/Kick.wav", "B/Kick.wav"), ("AUX 1.wav", "aux.1.wav"),
    ("Mix.wav", "Mix 2.wav"), ("#.wav", "!.wav"),
])  # fmt: skip
def test_different_names_pass(paths: tuple[str, ...]) -> None:
    assert not collisions(*paths)


def test_a_near_miss_of_a_collision_is_told_apart() -> None:
    found = collisions("Gtr 1.wav", "gtr 1.wav", "Gtr_1.wav")
    assert found == [("fail", ("Gtr 1.wav", "gtr 1.wav")), ("warn", ("Gtr_1.wav",))]


def test_a_listening_reference_may_be_called_like_its_mix() -> None:
    files = (
        measured_file("Song.wav", role="mix"),
        measured_file("Song.mp3", role="listening-reference", container="MP3", encoding="lossy"),
    )
    assert not findings_of(judged(*files), "name-collision")
