from __future__ import annotations

from pathlib import Path

import pytest

from stemprep.intake.kinds import classify
from stemprep.intake.names import extension, stem
from tests.intake.drops import SOUND, kinds, scan, tree


def kind(path: str, head: bytes = b"", siblings: frozenset[str] = frozenset()) -> str:
    return classify(path, lambda: head, siblings)[0]


def never() -> bytes:
    raise AssertionError("must not be read")


# Names of system files: common practice, no source.
@pytest.mark.parametrize(
    "path",
    [
        ".DS_Store",
        "sub/.DS_Store",
        "._Kick.wav",
        "Thumbs.db",
        "THUMBS.DB",
        "Desktop.ini",
        "Icon\r",
        "__MACOSX/Kick.wav",
        "sub/__MACOSX/._Kick.wav",
        ".Trashes/501/old.wav",
        ".Spotlight-V100/Store/x",
        ".fseventsd/0001",
        "Kick.wav.pk",
        "Kick.pkf",
        "Kick.wav.asd",
        "Kick.ovw",
        "Kick.sfk",
        "Kick.wav.anypeaks",
        "Overview/Kick",
        "Waveform Cache/Kick.bin",
        "WaveCache.wfm",
        "Kick.wav.part",
        "Kick.wav.crdownload",
        "Kick.wav.partial",
        ".Kick.wav.x7Qz2a",
        ".Kick.wav.ABCDEF",
        "~Kick.tmp",
        "~$lyrics.docx",
        ".nfs000000000001",
    ],
)
def test_clutter_is_named_and_never_opened(path: str) -> None:
    found, reason = classify(path, never)
    assert found == "clutter"
    assert reason


@pytest.mark.parametrize(
    "path",
    [
        "lyrics.txt",
        "session_notes.pdf",
        "Kick_old.wav.bak",
        "song.mid",
        "photo.jpg",
        "project.xyz",
        "Icon",
        "Overview/lyrics.txt",
        ".Kick.wav.backup",
        ".notes",
        "Kick.report.json",
        "inner.zip",
        "Kick.tmp",
        "temp",
        "a.wavx",
        ".wav",
    ],
)
def test_what_a_person_put_there_is_kept(path: str) -> None:
    assert kind(path) == "document"


def test_an_archive_inside_is_said_not_to_be_opened() -> None:
    assert "not opened" in classify("inner.zip", bytes)[1]


@pytest.mark.parametrize(
    "suffix",
    [
        "wav",
        "WAV",
        "wave",
        "bwf",
        "rf64",
        "bw64",
        "w64",
        "aif",
        "aiff",
        "aifc",
        "caf",
        "flac",
        "mp3",
        "ogg",
        "opus",
        "m4a",
        "aac",
        "wma",
    ],
)
def test_audio_by_extension_lossy_too(suffix: str) -> None:
    assert classify(f"Kick.{suffix}", never)[0] == "audio"


def test_audio_in_a_folder_of_peak_caches_is_not_lost() -> None:
    assert kind("Overview/Song.wav") == "audio"


# First bytes: EBU Tech 3285 and 3306 (RIFF, RF64, BW64), AIFF-C, CAF and FLAC specifications.
@pytest.mark.parametrize(
    ("head", "expected"),
    [
        (SOUND, "audio"),
        (b"RF64\xff\xff\xff\xffWAVEds64", "audio"),
        (b"BW64\xff\xff\xff\xffWAVEds64", "audio"),
        (b"FORM\0\0\0\x20AIFFCOMM", "audio"),
        (b"FORM\0\0\0\x20AIFCFVER", "audio"),
        (b"caff\0\1\0\0desc", "audio"),
        (b"fLaC\0\0\0\x22", "audio"),
        (b"OggS\0\2", "audio"),
        (b"riff\x2e\x91\xcf\x11\xa5\xd6\x28\xdb", "audio"),
        (b"\0\0\0\x20ftypM4A \0\0\0\0", "audio"),
        (b"\0\0\0\x20ftypqt  \0\0\0\0", "document"),
        (b"ID3\4\0", "audio"),
        (b"RIFF\x24\0\0\0AVI LIST", "document"),
        (b"FORM\0\0\0\x20ILBMBMHD", "document"),
        (b"hello", "document"),
        (b"", "document"),
    ],
)
def test_without_extension_the_first_bytes_tell(head: bytes, expected: str) -> None:
    assert kind("Kick", head) == expected
    assert kind("Mix v1.2", head) == expected


def test_a_report_of_ours_is_clutter_only_beside_its_drop(tmp_path: Path) -> None:
    inbox = tree(
        tmp_path / "inbox",
        [
            "Dawn/Kick.wav",
            "Dawn.report.json",
            "Dawn.report.html",
            "Noon.zip",
            "Noon.report.json",
            "Dusk.report.json",
        ],
    )
    assert kinds(scan(inbox)) == {
        "Dawn.report.html": "clutter",
        "Dawn.report.json": "clutter",
        "Dawn/Kick.wav": "audio",
        "Dusk.report.json": "document",
        "Noon.report.json": "clutter",
        "Noon.zip": "document",
    }


@pytest.mark.parametrize(
    ("path", "expected"),
    [
        ("a/Kick.WAV", ("wav", "Kick")),
        ("a.b/Kick", ("", "Kick")),
        ("Mix v1.2", ("", "Mix v1.2")),
        (".wav", ("", ".wav")),
        ("Kick.wav.bak", ("bak", "Kick.wav")),
        ("Kick.", ("", "Kick.")),
    ],
)
def test_extension_and_stem(path: str, expected: tuple[str, str]) -> None:
    assert (extension(path), stem(path)) == expected
