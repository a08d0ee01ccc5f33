"""Field sessions and cases beside the project; skipped where they are missing."""

from __future__ import annotations

import json
import tarfile
from pathlib import Path

import pytest

from stemprep.intake import build_session
from tests.intake.drops import SHARED, by_path, kinds, scan, sources

pytestmark = pytest.mark.skipif(not SHARED.is_dir(), reason="no field sessions beside the project")

SESSIONS = SHARED / "sessions"


@pytest.fixture(scope="module")
def cases(tmp_path_factory: pytest.TempPathFactory) -> Path:
    place = tmp_path_factory.mktemp("cases")
    with tarfile.open(SHARED / "cases" / "cases.tar.gz") as archive:
        archive.extractall(place, filter="fully_trusted")  # noqa: S202 - links are what is tested
    return place / "cases"


def expected(case: str) -> dict[str, str]:
    every = json.loads((SHARED / "cases" / "cases.json").read_text(encoding="utf-8"))["cases"]
    files = next(item for item in every if item["id"] == case)["files"]
    return {item["path"].removeprefix(f"{case}/"): item["expectation"] for item in files}


def test_clutter_is_decided_as_the_key_says(cases: Path) -> None:
    kind = {"accept": "audio", "ignore": "clutter", "warn": "document"}
    wanted = {path: kind[word] for path, word in expected("c35_clutter").items()}
    assert kinds(scan(cases / "c35_clutter", cases)) == wanted


def test_links_are_told_apart(cases: Path) -> None:
    found = by_path(scan(cases / "c38_symlinks", cases))
    assert {path: entry.hazard or entry.kind for path, entry in found.items()} == {
        "dangling.wav": "dangling",
        "hard_twin.wav": "audio",
        "inside_link.wav": "inside-link",
        "loop": "loop",
        "outside_link.wav": "outside",
        "real.wav": "audio",
    }


@pytest.mark.parametrize(
    ("name", "wanted"),
    [
        ("stems", {"Song/Kick.wav": "", "Song/Snare.wav": ""}),
        ("umlaut_unflagged", {"Song/Bläser.wav": ""}),
        ("twins", {"Kick.wav": "", "kick.wav": ""}),
        ("escape", {"../outside.wav": "escape", "/abs.wav": "escape", "ok.wav": ""}),
        ("cut", {"cut.zip": "broken-archive"}),
    ],
)
def test_zips(cases: Path, tmp_path: Path, name: str, wanted: dict[str, str]) -> None:
    found = scan(cases / "c37_zip_drop" / f"{name}.zip", tmp_path)
    told = {entry.path: entry.hazard for entry in found.entries if entry.kind != "clutter"}
    assert told == wanted
    assert {entry.archive for entry in found.entries} == {f"{name}.zip"}


def test_no_hostile_name_is_lost(cases: Path) -> None:
    found = sources(cases / "c34_hostile_names")
    assert set(expected("c34_hostile_names")) <= set(found)


def test_a_tracking_session() -> None:
    found = sources(SESSIONS / "S01_tracking_clean")
    special = {path: source.role for path, source in found.items() if source.role != "track"}
    assert special == {"13_Bass DI.wav": "di", "24_Talkback.wav": "talkback"}
    assert {path: source.group for path, source in found.items() if source.group} == {
        "01_Kick In.wav": "kick",
        "02_Kick Out.wav": "kick",
        "03_Snare Top.wav": "snare",
        "04_Snare Bot.wav": "snare",
        "09_OH L.wav": "oh",
        "10_OH R.wav": "oh",
        "11_Room L.wav": "room",
        "12_Room R.wav": "room",
        "13_Bass DI.wav": "bass",
        "14_Bass Amp.wav": "bass",
        "17_Lead Gtr.wav": "lead gtr",
        "18_Lead Gtr Far.wav": "lead gtr",
        "21_Strings L.wav": "strings",
        "22_Strings R.wav": "strings",
    }


@pytest.mark.parametrize("session", ["S03a_mix_stems_null", "S04a_null_gain", "S04b_null_delay"])
def test_stems_and_their_mix(session: str) -> None:
    found = {path: source.role for path, source in sources(SESSIONS / session).items()}
    assert found.pop("Song_REF MIX.wav") == "mix"
    assert found == {
        f"Song_{name}.wav": "stem" for name in ("BASS", "DRUMS", "FX", "GTR", "KEYS", "VOX")
    }


def test_mixes_and_tracks_in_one_folder() -> None:
    for path, source in sources(SESSIONS / "S07_clipping").items():
        assert source.role == ("mix" if path.startswith("Mix") else "track")


def test_what_went_to_an_overdub_studio() -> None:
    found = {path: s.role for path, s in sources(SESSIONS / "S05_overdub_return" / "sent").items()}
    assert found.pop("Rough Mix.wav") == "rough-mix"
    assert set(found.values()) == {"track"}


def test_each_field_session_is_one_song() -> None:
    for folder in sorted(SESSIONS.glob("S0[1-4789]*")):
        assert build_session(scan(folder), None).songs == ("",)
