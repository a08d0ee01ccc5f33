"""Which names at the top of an inbox are drops."""

from __future__ import annotations

import pytest

from stemprep.service.inbox.drop_names import RESULT_SUFFIXES, drop_name, is_unfinished, may_be_drop


@pytest.mark.parametrize("suffix", RESULT_SUFFIXES)
def test_what_the_service_writes_is_no_drop(suffix: str) -> None:
    assert not may_be_drop(f"Slow Ferry Home{suffix}", is_folder=False)


@pytest.mark.parametrize(
    "name",
    [".leaving-12", ".incoming-12", ".hidden", ".DS_Store", "._take.wav", "Thumbs.db", "lost+found",
     "System Volume Information", "take.wav.pkf"],
)  # fmt: skip
@pytest.mark.parametrize("is_folder", [True, False])
def test_what_systems_and_the_service_make_is_no_drop(name: str, is_folder: bool) -> None:
    assert not may_be_drop(name, is_folder=is_folder)


@pytest.mark.parametrize(
    "name",
    ["take.wav.part", "take.wav.crdownload", "take.wav.partial", "take.wav.filepart", "take.tmp",
     ".take.wav.x7Qz2a", "take.wav.aria2", "Take.WAV.PART", ".goutputstream-X7QZ2A"],
)  # fmt: skip
def test_transfers_under_way_are_no_drops(name: str) -> None:
    """Names as copying programs give them; common practice, no source."""
    assert is_unfinished(name)
    assert not may_be_drop(name, is_folder=False)


@pytest.mark.parametrize(
    "name", ["take.wav", "stems.zip", "notes.txt", "report.html", "part.wav", "my.receipt.pdf"]
)
def test_what_people_drop_is_a_drop(name: str) -> None:
    assert may_be_drop(name, is_folder=False)


def test_a_folder_may_be_called_like_a_report() -> None:
    assert may_be_drop("song.report.html", is_folder=True)


def test_no_two_names_give_the_same_text() -> None:
    raw = [b"take\xff", b"take\\xFF", b"take\\x5CxFF", b"take\\", b"take"]
    shown = [drop_name(name) for name in raw]
    assert len(set(shown)) == len(raw)
    for text in shown:
        text.encode("utf-8")  # what a database takes
