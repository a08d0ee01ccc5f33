"""Where a zip is unpacked: where the caller says, and nothing of it is left."""

from __future__ import annotations

import zipfile
from pathlib import Path

import pytest

from stemprep.app.check.inspect import inspected
from stemprep.errors import DeliveryError
from tests import signals


def zipped_take(folder: Path) -> Path:
    signals.write_wav(folder / "take.wav", signals.sine(440, peak_dbfs=-12, seconds=0.5))
    with zipfile.ZipFile(folder / "drop.zip", "w") as archive:
        archive.write(folder / "take.wav", "take.wav")
    return folder / "drop.zip"


def test_a_zip_is_unpacked_where_the_caller_says(tmp_path: Path) -> None:
    place = tmp_path / "state"
    place.mkdir()
    with inspected(zipped_take(tmp_path), "base", unpack_into=place / ".incoming-7") as inspection:
        root = Path(inspection.measured.session.root)
        assert root.parent == place
        assert root.name.startswith(".incoming-7-")
    assert list(place.iterdir()) == []


def test_no_room_to_unpack_there_is_no_fault_of_the_drop(tmp_path: Path) -> None:
    drop = zipped_take(tmp_path)
    with (
        pytest.raises(DeliveryError, match="no temporary folder"),
        inspected(drop, "base", unpack_into=tmp_path / "missing" / "x"),
    ):
        pass
