"""Where results may lie: never in what they are about, however the way there is written."""

from __future__ import annotations

import os
from pathlib import Path

import pytest

from stemprep.app.places import (
    refuse_destination,
    refuse_inside_drop,
    refuse_inside_package,
    write_report_file,
)
from stemprep.errors import DeliveryError, UsageError


@pytest.fixture
def drop(tmp_path: Path) -> Path:
    (tmp_path / "drop" / "song").mkdir(parents=True)
    return tmp_path / "drop"


@pytest.mark.parametrize("below", ["", "r.json", "song/r.json", "new/r.json", "song/../r.json"])
def test_inside_is_refused(drop: Path, below: str) -> None:
    for refuse in (lambda p, d: refuse_inside_drop(p, d, "the report"), refuse_inside_package):
        with pytest.raises(UsageError, match="outside it"):
            refuse(drop / below, drop)


@pytest.mark.parametrize("beside", ["../r.json", "../drop.json", "../drop 2/r.json"])
def test_beside_is_fine(drop: Path, beside: str) -> None:
    refuse_inside_drop(drop / beside, drop, "the report")
    refuse_inside_package(drop / beside, drop)


def test_a_relative_way_is_followed(drop: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(drop / "song")
    with pytest.raises(UsageError):
        refuse_inside_drop(Path("../r.json"), drop, "the report")
    with pytest.raises(UsageError):
        refuse_inside_drop(Path("r.json"), Path(".."), "the report")


def test_a_link_into_the_drop_is_followed(drop: Path, tmp_path: Path) -> None:
    (tmp_path / "link").symlink_to(drop / "song")
    with pytest.raises(UsageError):
        refuse_destination(tmp_path / "link" / "new", drop)


def test_a_destination_has_to_be_a_folder_or_new(drop: Path, tmp_path: Path) -> None:
    refuse_destination(tmp_path / "new", drop)
    refuse_destination(tmp_path, drop / "song")
    (tmp_path / "file").write_bytes(b"")
    with pytest.raises(DeliveryError, match="not a folder"):
        refuse_destination(tmp_path / "file", drop)


def test_a_report_that_cannot_be_written_is_told(tmp_path: Path) -> None:
    write_report_file(tmp_path / "r.txt", "drüben\n")
    assert (tmp_path / "r.txt").read_text(encoding="utf-8") == "drüben\n"
    with pytest.raises(DeliveryError, match="could not be written: Is a directory"):
        write_report_file(tmp_path, "text")


def test_a_report_never_overwrites_what_has_another_name(drop: Path, tmp_path: Path) -> None:
    """By a hard link outside, an original would be overwritten."""
    original = drop / "song" / "take.wav"
    original.write_bytes(b"RIFF")
    for name in ("r.json", "link.json"):
        (tmp_path / name).unlink(missing_ok=True)
    (tmp_path / "r.json").hardlink_to(original)
    (tmp_path / "link.json").symlink_to(tmp_path / "r.json")
    for name in ("link.json", "r.json"):
        write_report_file(tmp_path / name, name)
        assert original.read_bytes() == b"RIFF"
        assert (tmp_path / "r.json").read_text() == name


def test_a_report_goes_where_no_file_is(tmp_path: Path) -> None:
    write_report_file(Path(os.devnull), "text")
    assert Path(os.devnull).is_char_device()


def test_another_name_of_the_drop_is_inside(
    drop: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A second mount of the same folder, here by a system that says the two are one."""
    mount = tmp_path / "mount"
    mount.mkdir()
    ask = Path.samefile
    monkeypatch.setattr(
        Path, "samefile", lambda one, two: (one == mount and two == drop) or ask(one, two)
    )
    with pytest.raises(UsageError):
        refuse_inside_drop(mount / "r.json", drop, "the report")
