"""Before the release a package shows the working title where people look who know no other."""

from __future__ import annotations

from pathlib import Path

import bagit
import pytest

from stemprep.app.delivery.deliver import deliver
from tests.end_to_end import drops

TITLE, SONG = "Lanterns Under Ice", "Cold Harbour Waltz"
SHEET = f"""\
artist: The Quillmoor Lantern Band
title: {TITLE}
working_title: Project Buoy
unreleased: true
songs:
  - {{title: {SONG}, folder: one, working_title: Harbour 1}}
  - {{title: Second Thoughts, folder: two, working_title: Harbour 2}}
"""


@pytest.mark.parametrize("spec", ["archive", "mastering", "overdub"])
def test_no_name_or_label_bears_the_title(tmp_path: Path, spec: str) -> None:
    """Delivery note and track sheet state it with their caution: the title is to be printed."""
    drop = tmp_path / TITLE
    for folder in ("one", "two"):
        (drop / folder).mkdir(parents=True)
        drops.one_take(drop / folder)
    (drop / "session.yaml").write_text(SHEET)
    package = deliver(drop, spec, [tmp_path / "out"]).package
    assert package is not None
    assert Path(package).name == f"Project-Buoy_{spec}_01"
    info = bagit.Bag(package).info
    assert info["External-Identifier"] == f"Project-Buoy_{spec}_01"
    assert info["External-Description"] == "The Quillmoor Lantern Band - Project Buoy"
    paths = [path.relative_to(package).as_posix() for path in Path(package).rglob("*")]
    shown = "\n".join((*paths, (Path(package) / "bag-info.txt").read_text())).casefold()
    for title in (TITLE, SONG, "Second Thoughts"):
        plain = shown.replace("_", " ").replace("-", " ")
        assert title.casefold() not in plain
        assert title.replace(" ", "").casefold() not in plain


def test_without_a_working_title_the_drop_names_nothing_either(tmp_path: Path) -> None:
    drop = drops.one_take(tmp_path / TITLE)
    (drop / "session.yaml").write_text(f"title: {TITLE}\nunreleased: true\n")
    package = deliver(drop, "archive", [tmp_path / "out"]).package
    assert package is not None
    assert Path(package).name == "untitled-session_archive_01"
