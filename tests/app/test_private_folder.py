"""Folders that deliveries to stores are built in: one each, for the owner alone, nothing left."""

from __future__ import annotations

import tempfile
from pathlib import Path

import pytest

from stemprep.app.delivery.destinations import built_at, private_folder
from stemprep.transfer import parse_place


@pytest.fixture(autouse=True)
def place(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.setattr(tempfile, "tempdir", str(tmp_path))
    return tmp_path


def test_the_same_job_is_built_twice_at_once(place: Path) -> None:
    """Two programs that send the same drop to two stores do not stand in each other's way."""
    there = [parse_place("s3://bucket/folder")]
    with built_at(there, "folder", "job") as first, built_at(there, "folder", "job") as second:
        assert first != second
        for folder in (first, second):
            (folder / "take.wav").write_bytes(b"sound")
            assert (folder.parent.stat().st_mode & 0o777) == 0o700
    assert list(place.iterdir()) == []


def test_what_a_killed_delivery_left_is_removed(place: Path) -> None:
    left = Path(tempfile.mkdtemp(prefix="stemprep-delivery-"))
    (left / "half.wav").write_bytes(b"half")
    with private_folder() as folder:
        assert list(place.iterdir()) == [folder]


def test_what_others_work_in_or_did_not_make_stays(place: Path) -> None:
    outside = place / "take"
    outside.mkdir()
    (outside / "take.wav").write_bytes(b"the only one")
    (place / "stemprep-delivery-link").symlink_to(outside)
    with private_folder() as under_way:
        (under_way / "take.wav").write_bytes(b"sound")
        with private_folder():
            assert (under_way / "take.wav").read_bytes() == b"sound"
    assert (outside / "take.wav").read_bytes() == b"the only one"
    assert {path.name for path in place.iterdir()} == {"stemprep-delivery-link", "take"}
