"""The BagIt conformance suite (LibraryOfCongress/bagit-conformance-suite, CC0): its folders say
the verdict; each deviation stands here with its reason.
"""

from __future__ import annotations

import tarfile
from pathlib import Path

import pytest

from stemprep.package import verify_package
from tests.peers import PEERS, needs_peers

SUITE = PEERS / "bagit-suite.tar.gz"

DEVIATIONS = {
    "v0.97/warning/duplicate-file-with-different-case": (
        "lists a name that exists under another letter case alone: here a file that is not there"
    ),
    "v0.97/warning/same-filename-listed-twice-with-different-normalization": (
        "lists two forms of one name and holds one file: one of them is not there"
    ),
    "v0.97/warning/same-filename-listed-twice-with-the-same-hash": (
        "a list that names a file twice is told as a list that is not as it was written"
    ),
    "v0.97/warning/special-system-files": (
        "lists a system's file that is not there under this name: told as missing"
    ),
}
"""Spoken by the suite as warnings; stricter here: nothing of it is called whole."""


@pytest.fixture(scope="module")
def bags(tmp_path_factory: pytest.TempPathFactory) -> list[Path]:
    folder = tmp_path_factory.mktemp("bags")
    with tarfile.open(SUITE) as archive:
        archive.extractall(folder, filter="data")
    return sorted(path for path in folder.glob("bagit-suite/v*/*/*") if path.is_dir())


@needs_peers
def test_every_bag_is_judged_as_its_folder_says(bags: list[Path]) -> None:
    """Valid and warning: whole; invalid, and those with paths out of a bag on any system: not."""
    wrong = []
    for bag in bags:
        name = "/".join(bag.parts[-3:])
        expected = bag.parent.name in ("valid", "warning") and name not in DEVIATIONS
        if verify_package(bag).is_whole is not expected:
            wrong.append(name)
    assert wrong == []
    assert len(bags) >= 55
    assert {"/".join(bag.parts[-3:]) for bag in bags} >= DEVIATIONS.keys()
