"""What surrounds a run: temporary folder, clock, names that hide. None may harm drop or package."""

from __future__ import annotations

import os
import tempfile
import zipfile
from pathlib import Path

import pytest

from stemprep.app.check.inspect import inspect
from stemprep.app.delivery.deliver import deliver
from stemprep.errors import InputError, UsageError
from tests.end_to_end import drops


def test_nothing_is_made_in_a_drop_that_holds_the_temporary_folder(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    drop = drops.one_take(tmp_path / "drop")
    before = drop.stat().st_mtime_ns
    monkeypatch.setattr(tempfile, "tempdir", str(drop))
    inspect(drop, "base")
    assert drop.stat().st_mtime_ns == before


def test_a_zip_without_a_place_to_unpack_it(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    with zipfile.ZipFile(tmp_path / "drop.zip", "w") as parcel:
        parcel.writestr("a.wav", b"RIFF")
    monkeypatch.setattr(tempfile, "tempdir", str(tmp_path / "missing"))
    with pytest.raises(InputError, match="no temporary folder can be made"):
        inspect(tmp_path / "drop.zip", "base")


@pytest.mark.parametrize("epoch", ["9" * 20, "\u00b2", "tomorrow", "1.5"])
def test_a_clock_that_is_none(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, epoch: str) -> None:
    """A value that was ignored would give a package that is not the same tomorrow."""
    monkeypatch.setenv("SOURCE_DATE_EPOCH", epoch)
    with pytest.raises(UsageError, match="SOURCE_DATE_EPOCH"):
        deliver(drops.one_take(tmp_path / "drop"), "archive", [tmp_path / "out"])


@pytest.mark.parametrize(
    ("folder", "name"),
    [
        ("..Low Water", "Low-Water_archive_01"),
        ("~Low Water", "Low-Water_archive_01"),
        ("-rf", "_rf_archive_01"),
        (".-rf", "rf_archive_01"),
        (".~.", "untitled-session_archive_01"),
    ],
)
def test_a_name_that_would_hide_the_package(tmp_path: Path, folder: str, name: str) -> None:
    drop = drops.one_take(tmp_path / folder)
    assert deliver(drop, "archive", [tmp_path / "out"]).package is not None
    assert os.listdir(tmp_path / "out") == [name]  # noqa: PTH208
