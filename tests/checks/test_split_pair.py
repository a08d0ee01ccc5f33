from __future__ import annotations

from typing import Any

import pytest

from tests.checks.factory import findings_of, judged, measured_file, sound


def names(*paths: str) -> list[tuple[str, ...]]:
    judgement = judged(*(measured_file(path) for path in paths))
    return [finding.files for finding in findings_of(judgement, "split-pair")]


@pytest.mark.parametrize("pair", [
    ("Gtr.L.wav", "Gtr.R.wav"), ("Keys_L.wav", "Keys_R.wav"), ("Ovh-Left.wav", "Ovh-Right.wav"),
    ("Vox L.wav", "Vox R.wav"), ("09_OH L.wav", "10_OH R.wav"), ("a/Pad_l.WAV", "a/Pad_r.WAV"),
    ("Song_Gtr_L_44k24.wav", "Song_Gtr_R_44k24.wav"),
])  # fmt: skip
def test_the_usual_spellings(pair: tuple[str, str]) -> None:
    judgement = judged(*(measured_file(path) for path in pair))
    (finding,) = findings_of(judgement, "split-pair")
    assert (finding.files, finding.repair) == (pair, "join")
    assert judgement.set_facts.pairs == (pair,)


@pytest.mark.parametrize("paths", [
    ("Tom_L.wav", "Tom_H.wav"), ("Rhy Gtr A.wav", "Rhy Gtr B.wav"), ("L.wav", "R.wav"),
    ("Bell.wav", "Bellr.wav"), ("Kick.wav",),
])  # fmt: skip
def test_names_that_are_no_sides(paths: tuple[str, ...]) -> None:
    assert not names(*paths)


def test_folders_keep_sides_apart() -> None:
    assert names("a/Gtr L.wav", "b/Gtr R.wav") == [("a/Gtr L.wav",), ("b/Gtr R.wav",)]


def test_one_side_alone() -> None:
    assert names("Pad.L.wav", "Kick.wav") == [("Pad.L.wav",)]


@pytest.mark.parametrize(("changes", "obstacle"), [
    ({"rate_hz": 44_100}, "sample rates"), ({"bit_depth": 16}, "word lengths"),
    ({"heard": sound(frames=100)}, "the right side is 479,900 samples shorter"),
])  # fmt: skip
def test_what_hinders_a_join_is_named(changes: dict[str, Any], obstacle: str) -> None:
    judgement = judged(measured_file("S.L.wav"), measured_file("S.R.wav", **changes))
    (finding,) = findings_of(judgement, "split-pair")
    assert obstacle in finding.message
    assert finding.repair is None
    assert judgement.set_facts.pairs == ()


def test_stereo_files_are_no_sides() -> None:
    files = (measured_file(f"Gtr {s}.wav", sound(channels=2, identity=s)) for s in "LR")
    assert not findings_of(judged(*files), "split-pair")
