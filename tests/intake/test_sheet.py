from __future__ import annotations

from pathlib import Path

import pytest

from stemprep.errors import SpecError
from stemprep.intake import read_sheet
from tests.intake.drops import SOUND, by_path, make_zip, scan, tree


def test_the_sheet_at_the_top_is_read(tmp_path: Path) -> None:
    found = scan(tree(tmp_path / "drop", {"a.wav": SOUND, "session.yaml": b"title: Dawn\n"}))
    assert read_sheet(found) == b"title: Dawn\n"
    assert found.sheet is not None
    assert (found.sheet.path, found.sheet_folder) == ("session.yaml", "")


@pytest.mark.parametrize("name", ["session.yml", "Session.YAML"])
def test_other_spellings(tmp_path: Path, name: str) -> None:
    assert read_sheet(scan(tree(tmp_path / "drop", {name: b"x"}))) == b"x"


def test_yaml_goes_before_yml(tmp_path: Path) -> None:
    found = scan(tree(tmp_path / "drop", {"session.yml": b"yml", "session.yaml": b"yaml"}))
    assert read_sheet(found) == b"yaml"
    assert by_path(found)["session.yml"].kind == "document"


def test_no_sheet_and_a_sheet_deeper_down(tmp_path: Path) -> None:
    found = scan(tree(tmp_path / "drop", {"a.wav": SOUND, "sub/session.yaml": b"x"}))
    assert read_sheet(found) is None
    assert by_path(found)["sub/session.yaml"].kind == "document"


def test_in_a_zip_it_may_lie_in_the_single_top_folder(tmp_path: Path) -> None:
    entries = [("Song/a.wav", SOUND), ("Song/session.yaml", b"x"), ("__MACOSX/Song/._a", b"")]
    found = scan(make_zip(tmp_path / "d.zip", entries))
    assert read_sheet(found) == b"x"
    assert found.sheet_folder == "Song"


def test_in_a_zip_of_several_folders_it_may_not(tmp_path: Path) -> None:
    entries = [("Song/session.yaml", b"x"), ("Other/a.wav", SOUND)]
    assert read_sheet(scan(make_zip(tmp_path / "d.zip", entries))) is None


def test_a_link_is_no_sheet(tmp_path: Path) -> None:
    (tmp_path / "secret.yaml").write_bytes(b"x")
    drop = tree(tmp_path / "drop", ["a.wav"])
    (drop / "session.yaml").symlink_to("../secret.yaml")
    assert read_sheet(scan(drop)) is None


def test_a_folder_of_that_name_is_no_sheet(tmp_path: Path) -> None:
    assert read_sheet(scan(tree(tmp_path / "drop", ["session.yaml/a.wav"]))) is None


def test_a_sheet_of_more_than_a_megabyte_is_refused(tmp_path: Path) -> None:
    drop = tree(tmp_path / "drop", {"session.yaml": b"x" * 1_000_000})
    assert read_sheet(scan(drop)) is not None
    (drop / "session.yaml").write_bytes(b"x" * 1_000_001)
    with pytest.raises(SpecError, match=r"session\.yaml:1:1: over 1,000,000 bytes"):
        read_sheet(scan(drop))
