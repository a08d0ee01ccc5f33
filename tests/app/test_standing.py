"""What stops a delivery, what a waiver lifts, what counts as repaired: by real drops."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from stemprep.app.check.inspect import inspect
from stemprep.app.delivery.deliver import deliver, plan, stopping
from stemprep.engine import InlineEngine
from stemprep.errors import DeliveryError
from stemprep.model.report import Report
from tests.end_to_end import drops

WAIVER = """\
artist: The Quillmoor Lantern Band
title: Slow Ferry Home
waivers:
  - check: clipping
    file: "Song Mix.wav"
    reason: the sound of the song
    initials: MK
    date: "2031-05-02"
"""


def _deliver(drop: Path, spec: str, to: Path) -> Report:
    return deliver(drop, spec, [to], engine=InlineEngine())


def test_an_unwaived_fail_stops(tmp_path: Path) -> None:
    drop = drops.clipped_take(tmp_path / "drop")
    planned = plan(drop, "mastering", engine=InlineEngine())
    assert {finding.check for finding in stopping(planned)} == {"clipping"}
    assert _deliver(drop, "mastering", tmp_path / "out").package is None


def test_a_waived_fail_does_not_and_is_told(tmp_path: Path) -> None:
    drop = drops.clipped_take(tmp_path / "drop")
    (drop / "session.yaml").write_text(WAIVER)
    report = _deliver(drop, "mastering", tmp_path / "out")
    assert report.package is not None
    assert [finding.waived_by for finding in report.waived] == ["MK"]
    package = Path(report.package)
    (waiver,) = json.loads((package / "data/manifest.json").read_text())["waivers"]
    assert "MK" in json.dumps(waiver)
    first_line = (package / "data/report/qc-report.txt").read_text().splitlines()[0]
    assert "1 waived" in first_line


def test_a_waiver_of_another_sound_does_not_count(tmp_path: Path) -> None:
    """Signed for one export: a new one has to be heard again."""
    drop = drops.clipped_take(tmp_path / "drop")
    other = f'    audio_sha256: "{"0" * 64}"\n'
    (drop / "session.yaml").write_text(WAIVER + other)
    assert not inspect(drop, "mastering").passed


def test_archive_takes_the_damaged_take_too(tmp_path: Path) -> None:
    drop = drops.clipped_take(tmp_path / "drop")
    take = drops.write_take(drop / "02 Take.wav", drops.note(peak_dbfs=-9, seconds=1.0))
    take.write_bytes(take.read_bytes()[:-40_000])
    report = _deliver(drop, "archive", tmp_path / "out")
    assert report.package is not None
    kept = {path.read_bytes() for path in Path(report.package).rglob("*.wav")}
    assert take.read_bytes() in kept
    assert "02 Take.wav" in (Path(report.package) / "data/delivery-note.txt").read_text()


def test_what_an_operation_removes_is_told_as_repaired(tmp_path: Path) -> None:
    """A recorder lost power: the header says nothing, the written file's header is right."""
    drop = tmp_path / "drop"
    take = drops.write_take(drop / "01 Kick.wav", drops.note(peak_dbfs=-9, seconds=1.0))
    content = bytearray(take.read_bytes())
    data = content.index(b"data")
    content[4:8] = content[data + 4 : data + 8] = b"\0\0\0\0"
    take.write_bytes(content)
    assert any(finding.check == "header" for finding in inspect(drop, "overdub").findings)
    report = _deliver(drop, "overdub", tmp_path / "out")
    assert report.package is not None
    assert [finding.check for finding in report.repaired] == ["header"]
    (written,) = Path(report.package).rglob("*.wav")
    assert not inspect(written.parent, "base").findings


def test_a_predecessor_has_to_be_whole(tmp_path: Path) -> None:
    drop = drops.one_take(tmp_path / "drop")
    first = _deliver(drop, "archive", tmp_path / "out")
    assert first.package is not None
    (Path(first.package) / "data/delivery-note.txt").write_text("changed")
    with pytest.raises(DeliveryError, match="no whole package to follow"):
        deliver(drop, "archive", [tmp_path / "out"], after=Path(first.package))


def test_a_drop_in_a_zip_is_the_same_drop(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Zipped or not, the package is the same, byte for byte."""
    import zipfile

    monkeypatch.setenv("SOURCE_DATE_EPOCH", "1919635200")
    drop = drops.tracking_drop(tmp_path / "drop")
    with zipfile.ZipFile(tmp_path / "parcel.zip", "w") as parcel:
        for path in sorted(drop.iterdir(), reverse=True):
            parcel.write(path, path.name)
    assert _deliver(drop, "overdub", tmp_path / "one").package is not None
    assert _deliver(tmp_path / "parcel.zip", "overdub", tmp_path / "two").package is not None
    assert drops.tree(tmp_path / "one") == drops.tree(tmp_path / "two")
