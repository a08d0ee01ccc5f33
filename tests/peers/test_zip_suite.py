"""Zips of another reader's tests (thejoshwolfe/yauzl, MIT): its folders say the verdict; deviations
stand here with their reason.
"""

from __future__ import annotations

import zipfile
from pathlib import Path

import pytest

from stemprep.intake.archive import unpack
from stemprep.model.session import DropEntry
from tests.peers import PEERS, needs_peers

ZIP = PEERS / "zip"

REFUSED_SUCCESSES = {
    "bogus-compression-method": "a method that nobody knows cannot be unpacked",
    "sloppy-filenames": "its two headers give one entry two names",
    "traditional-encryption": "encrypted",
    "traditional-encryption_deprecated": "encrypted",
    "traditional-encryption-and-compression": "encrypted",
    "traditional-encryption-and-compression_deprecated": "encrypted",
}
READ_FAILURES = {
    "Invalid comment length": "a comment shorter than stated stands behind all that counts",
    "multi-disk": "says it is one of two disks; every entry is here and whole by its sum",
}


def taken(path: Path, workspace: Path) -> list[DropEntry]:
    with path.open("rb") as stream:
        return unpack(stream, path.name, path.stat().st_size, workspace, 1 << 33)


@needs_peers
@pytest.mark.parametrize("path", sorted((ZIP / "success").glob("*.zip")), ids=lambda p: p.stem)
def test_good_zips_are_read(path: Path, tmp_path: Path) -> None:
    entries = taken(path, tmp_path)
    has_refused = any(entry.kind == "unsafe" for entry in entries)
    assert has_refused is (path.stem in REFUSED_SUCCESSES)
    with zipfile.ZipFile(path) as archive:
        names = [info.orig_filename for info in archive.infolist()]
    files = [name for name in names if not name.endswith("/")]
    assert len(entries) == len(files)


@needs_peers
def test_the_unicode_path_field_gives_the_name(tmp_path: Path) -> None:
    (entry,) = taken(ZIP / "success" / "unicode-path-extra-field.zip", tmp_path)
    assert entry.path == "\u4e03\u4e2a\u623f\u95f4.txt"


@needs_peers
@pytest.mark.parametrize(
    "path",
    sorted([*(ZIP / "failure").glob("*.zip"), *(ZIP / "wrong-entry-sizes").glob("*.zip")]),
    ids=lambda p: p.stem[:40],
)
def test_what_is_wrong_is_refused(path: Path, tmp_path: Path) -> None:
    """The zip as a whole, or the entry at fault."""
    has_refused = any(entry.kind == "unsafe" for entry in taken(path, tmp_path))
    assert has_refused is not any(path.stem.startswith(known) for known in READ_FAILURES)
