"""Where results may lie: never in what they are about, however the way there is written."""

from __future__ import annotations

import os
from pathlib import Path

import pytest

from stemprep.app.output_files import (
    refuse_destination,
    refuse_inside_drop,
    refuse_inside_package,
    require_report_place,
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


def test_a_report_takes_over_the_permissions_of_the_one_before(tmp_path: Path) -> None:
    file, link = tmp_path / "r.json", tmp_path / "link.json"
    file.write_text("before")
    file.chmod(0o664)
    link.symlink_to(file)
    write_report_file(link, "after")
    assert link.is_symlink()
    assert file.read_text() == "after"
    assert file.stat().st_mode & 0o777 == 0o664


def test_a_report_may_have_as_long_a_name_as_a_disk_takes(tmp_path: Path) -> None:
    file = tmp_path / ("x" * 255)
    require_report_place(file)
    write_report_file(file, "text")
    assert [path.read_text() for path in tmp_path.iterdir()] == ["text"]
    with pytest.raises(DeliveryError, match="give the file a shorter name"):
        require_report_place(tmp_path / ("x" * 256))


def test_trying_leaves_nothing_and_changes_nothing(tmp_path: Path) -> None:
    file = tmp_path / "r.json"
    require_report_place(file)
    assert not list(tmp_path.iterdir())
    file.write_text("before")
    require_report_place(file)
    assert [path.read_text() for path in tmp_path.iterdir()] == ["before"]
    refuse_destination(tmp_path / "new" / "out", tmp_path / "drop")
    assert [path.name for path in tmp_path.iterdir()] == ["r.json"]


def test_a_link_that_leads_in_a_circle_is_told(tmp_path: Path) -> None:
    (tmp_path / "a").symlink_to("b")
    (tmp_path / "b").symlink_to("a")
    for attempt in (require_report_place, lambda path: write_report_file(path, "text")):
        with pytest.raises(DeliveryError, match="Too many levels of symbolic links"):
            attempt(tmp_path / "a")


def test_an_output_that_may_not_be_written_to_is_told(monkeypatch: pytest.MonkeyPatch) -> None:
    """access(2), as for a device that belongs to somebody else."""
    monkeypatch.setattr(os, "access", lambda *_: False)
    with pytest.raises(DeliveryError, match="Permission denied"):
        require_report_place(Path(os.devnull))
