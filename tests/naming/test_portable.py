"""Portable names: RFC 8493, section on interoperability; device names from memory."""

from __future__ import annotations

import json
import unicodedata
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from stemprep.naming import (
    listing_problems,
    portability_problems,
    portable_path,
    split_extension,
)

CASES = Path(__file__).resolve().parents[3] / "shared" / "cases" / "cases.json"


@pytest.mark.parametrize(
    ("path", "word", "portable"),
    [
        ("AUX.wav", "device", "AUX_.wav"),
        ("aux.1.wav", "device", "aux_.1.wav"),
        ("nul.stem.wav", "device", "nul_.stem.wav"),
        ("COM1", "device", "COM1_"),
        ("Bass .wav", "dot or space", "Bass.wav"),
        ("Bass..wav", "dot or space", "Bass.wav"),
        ("trailing dir./space dir /vox.wav", "dot or space", "trailing dir/space dir/vox.wav"),
        ("Vox: dbl?.wav", ": ?", "Vox_ dbl_.wav"),
        ("AC\\DC.wav", "\\", "AC_DC.wav"),
        (" lead.wav", "starts with a space", "lead.wav"),
        ("-rf.wav", "starts with -", "_rf.wav"),
        ("tab\there.wav", "control", "tab_here.wav"),
        ("Caf\\xE9.wav", "not UTF-8", "Caf_.wav"),
        ("Cafe\u0301.wav", "NFC", "Caf\u00e9.wav"),
        ("gtr\u202evaw.wav", "turn a name around", "gtrvaw.wav"),
        ("../../etc/x.wav", "dot or space", "_/_/etc/x.wav"),
        ("..wav", "dot or space", "_.wav"),
        ("0 .A ", "dot or space", "0.A"),
        ("vox .wa\u200bv", "turn a name around", "vox.wav"),
        ("v" * 236 + " .bcdefghijklmnopq", "takes", "v" * 236 + ".bc"),
    ],
)
def test_problem_is_told_and_cured(path: str, word: str, portable: str) -> None:
    assert any(word in problem for problem in portability_problems(path))
    assert portable_path(path) == portable


def test_a_percent_sign_is_no_fault_of_a_name_and_gives_way() -> None:
    """RFC 8493, 2.1.3 encodes it in manifests, where sha256sum and bagit read it as it stands."""
    assert portability_problems("100% wet (v2).wav") == ()
    assert listing_problems("100% wet (v2).wav") != ()
    assert portable_path("100% wet (v2).wav") == "100_ wet (v2).wav"


@pytest.mark.parametrize(
    "path",
    ["AUX 1.wav", "Auxiliary.wav", "Console.wav", "100 wet & loud (v2).wav", "a/b/Kick #1.wav",
     "Größe, déjà vu.wav", "歌.wav", "COM10.wav", ".hidden"],
)  # fmt: skip
def test_near_misses_are_left_alone(path: str) -> None:
    assert portability_problems(path) == ()
    assert portable_path(path) == path


@pytest.mark.parametrize(
    ("name", "parts"),
    [("Kick In.wav", ("Kick In", ".wav")), ("Mix v1.2", ("Mix v1.2", "")), (".wav", (".wav", "")),
     ("Mix v1.2.WAV", ("Mix v1.2", ".WAV")), ("a.wav\n", ("a.wav\n", "")), ("", ("", ""))],
)  # fmt: skip
def test_extensions(name: str, parts: tuple[str, str]) -> None:
    """A version number is no extension: prepared files of v1.2 and v1.3 were both named v1.wav."""
    assert split_extension(name) == parts


def test_long_names_keep_characters_and_extension() -> None:
    for long in ("L" * 251 + ".wav", "歌" * 83 + ".wav", "x\u0327\u0301" * 90 + ".wav"):
        short = portable_path(long)
        assert len(short.encode()) <= 240
        assert short.endswith(".wav")
        assert unicodedata.normalize("NFC", long).startswith(short[:-4])


def test_long_path_is_cut_in_its_longest_parts() -> None:
    path = "/".join(["Session_2026_03_14_final_final_really_final"] * 6) + "/vox.wav"
    short = portable_path(path)
    assert 240 < len(short) <= 255
    assert short.endswith("/vox.wav")
    assert all(part.startswith("Session_2026") for part in short.split("/")[:-1])


@given(st.text(max_size=300) | st.lists(st.text("ab .-\\/x80ffé\u0301", max_size=90)).map("/".join))
def test_a_portable_path_has_no_problem_and_is_final(path: str) -> None:
    once = portable_path(path)
    assert portability_problems(once) == ()
    assert portable_path(once) == once
    problems = (*portability_problems(path), *listing_problems(path))
    if not problems and "" not in path.split("/") and path:
        assert once == path


@pytest.mark.skipif(not CASES.exists(), reason="field cases are not beside the project")
def test_hostile_names_of_the_field() -> None:
    case = _case("c34_hostile_names")
    for file in case["files"]:
        path = file["path"].removeprefix("c34_hostile_names/")
        assert (portability_problems(path) == ()) == (file["expectation"] == "accept"), path
        assert portability_problems(portable_path(path)) == ()


def _case(identifier: str) -> dict:  # type: ignore[type-arg]
    cases = json.loads(CASES.read_text(encoding="utf-8"))["cases"]
    return next(case for case in cases if case["id"] == identifier)
