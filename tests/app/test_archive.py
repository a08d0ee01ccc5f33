"""An archive keeps everything: under its own names where it can, with a table where it cannot."""

from __future__ import annotations

import csv
import hashlib
import io
import os
from pathlib import Path

import bagit
import numpy as np
import pytest
import soundfile

from stemprep.app.delivery.deliver import deliver
from stemprep.app.packages.verify import verify
from stemprep.engine import InlineEngine


def drop_at(folder: Path) -> Path:
    (folder / "day 1").mkdir(parents=True)
    sound = np.random.default_rng(7).normal(0, 0.05, 24_000)
    for name in ("Kick In.wav", "Voice: lead?.wav", "CON.wav"):
        soundfile.write(folder / "day 1" / name, sound, 48_000, subtype="PCM_24")
    whole = (folder / "day 1" / "Kick In.wav").read_bytes()
    (folder / "day 1" / "Cut.wav").write_bytes(whole[:30_000])
    (folder / "lyrics|1.txt").write_text("la la")
    (folder / os.fsdecode(b"caf\xe9.txt")).write_text("not UTF-8")
    (folder / "Thumbs.db").write_bytes(b"x")
    return folder


@pytest.fixture(scope="module")
def archived(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, Path]:
    place = tmp_path_factory.mktemp("shelf")
    drop = drop_at(place / "drop")
    report = deliver(drop, "archive", [place / "out"], engine=InlineEngine())
    assert report.package is not None, [finding.message for finding in report.findings]
    return drop, Path(report.package)


def table(package: Path) -> list[list[str]]:
    text = (package / "data/names-table.csv").read_text(encoding="utf-8")
    return list(csv.reader(io.StringIO(text, newline="")))


def test_names_that_some_system_refuses_give_way_and_stand_in_the_table(
    archived: tuple[Path, Path],
) -> None:
    """Windows refuses ``: ? |`` and CON (Microsoft, Naming Files, Paths, and Namespaces)."""
    _, package = archived
    rows = {dropped: (ours, raw) for ours, dropped, raw in table(package)[1:]}
    assert set(rows) == {
        "day 1/CON.wav", "day 1/Voice: lead?.wav", "lyrics|1.txt", "caf\\xE9.txt",
    }  # fmt: skip
    for ours, _ in rows.values():
        assert (package / "data" / ours).is_file()
        assert not set(ours) & set(':?|"<>*\\')
    assert bytes.fromhex(rows["caf\\xE9.txt"][1]) == b"caf\xe9.txt"


def test_every_file_but_clutter_is_there_byte_for_byte(archived: tuple[Path, Path]) -> None:
    drop, package = archived
    kept = {
        hashlib.sha256(path.read_bytes()).hexdigest()
        for path in (package / "data").rglob("*")
        if path.is_file()
    }
    dropped = [path for path in drop.rglob("*") if path.is_file() and path.name != "Thumbs.db"]
    assert len(dropped) == 6
    assert {hashlib.sha256(path.read_bytes()).hexdigest() for path in dropped} <= kept
    assert (package / "data/day 1/Kick In.wav").is_file()


def test_the_readme_is_sealed_with_the_package(archived: tuple[Path, Path]) -> None:
    """RFC 8493, 2.2.4: other tag files stand in the tag manifest; the reference reader agrees."""
    _, package = archived
    readme = package / "README.txt"
    told = readme.read_text(encoding="utf-8")
    assert "data/day 1/Cut.wav" in told.split("What, who, when")[0]
    assert "Thumbs.db" in told
    assert bagit.Bag(str(package)).is_valid()
    original = readme.read_bytes()
    readme.write_bytes(original + b"x")
    try:
        (proof,) = verify([package])
        assert [damage.path for damage in proof.damages] == ["README.txt"]
    finally:
        readme.write_bytes(original)
