"""A shelf of packages is checked as a whole, year after year, and against its second copy."""

from __future__ import annotations

import csv
import json
import shutil
from datetime import UTC, datetime
from pathlib import Path

import jsonschema
import pytest

from stemprep.app.shelf import check_shelf, is_shelf
from stemprep.engine import InlineEngine
from stemprep.errors import DeliveryError, UsageError
from stemprep.model.shelf import ShelfCheck
from stemprep.report import render_shelf, render_shelf_json, shelf_schema
from tests.cli.running import here
from tests.end_to_end import drops
from tests.package import records

FIRST = datetime(2026, 3, 1, 12, 0, tzinfo=UTC)
NEXT = datetime(2027, 3, 1, 12, 0, tzinfo=UTC)
VICTIM = "data/stems/Bass.wav"


@pytest.fixture
def shelf(tmp_path: Path) -> Path:
    """Three packages, one of them in a folder of its year, beside other things."""
    place = tmp_path / "shelf"
    (place / "2025").mkdir(parents=True)
    records.delivered(place, "lantern_1")
    records.delivered(place, "lantern_2", delivery=2)
    records.delivered(place / "2025", "ferry_1")
    (place / "read me.txt").write_text("Packages of the Quillmoor Lantern Band.\n")
    (place / ".incoming-half").mkdir()
    (place / ".incoming-half" / "bagit.txt").write_text("")
    (place / "link").symlink_to(place / "lantern_1")
    return place


def checked(shelf: Path, now: datetime = FIRST, second: Path | None = None) -> ShelfCheck:
    return check_shelf(shelf, second=second, engine=InlineEngine(), now=now)


def states(check: ShelfCheck) -> dict[str, str]:
    return {entry.name: entry.state for entry in check.entries}


def flip(package: Path, path: str = VICTIM) -> None:
    content = bytearray((package / path).read_bytes())
    content[3] ^= 1
    (package / path).write_bytes(content)


def test_every_package_is_found_and_checked(shelf: Path) -> None:
    before = drops.tree(shelf)
    check = checked(shelf)
    assert states(check) == {"2025/ferry_1": "whole", "lantern_1": "whole", "lantern_2": "whole"}
    assert check.is_proved
    assert render_shelf(check).startswith("Verdict   3 whole of 3 packages\nTo do     Nothing")
    after = drops.tree(shelf)
    assert after.keys() - before.keys() == {"fixity-log.csv"}
    assert {path: after[path] for path in before} == before


def test_the_log_grows_by_one_line_a_package_and_loses_none(shelf: Path) -> None:
    checked(shelf)
    first = (shelf / "fixity-log.csv").read_bytes()
    flip(shelf / "lantern_2")
    check = checked(shelf, NEXT)
    second = (shelf / "fixity-log.csv").read_bytes()
    assert second.startswith(first)
    rows = list(csv.DictReader(second.decode().splitlines()))
    assert [(row["checked_at"][:4], row["package"], row["state"]) for row in rows] == [
        ("2026", "2025/ferry_1", "whole"),
        ("2026", "lantern_1", "whole"),
        ("2026", "lantern_2", "whole"),
        ("2027", "2025/ferry_1", "whole"),
        ("2027", "lantern_1", "whole"),
        ("2027", "lantern_2", "damaged"),
    ]
    assert rows[-1]["first_damage"].startswith(VICTIM)
    assert not check.is_proved
    text = render_shelf(check)
    assert text.startswith("Verdict   2 whole, 1 damaged of 3 packages")
    assert "last whole on 2026-03-01" in text
    assert VICTIM in text


def test_a_package_that_is_gone_is_told(shelf: Path) -> None:
    checked(shelf)
    shutil.rmtree(shelf / "lantern_1")
    check = checked(shelf, NEXT)
    assert [last.package for last in check.gone] == ["lantern_1"]
    assert not check.is_proved
    assert "lantern_1: gone; it was whole on 2026-03-01" in render_shelf(check)


def test_a_package_that_was_exchanged_is_told_although_it_is_whole(
    shelf: Path, tmp_path: Path
) -> None:
    checked(shelf)
    shutil.rmtree(shelf / "lantern_1")
    records.delivered(shelf, "lantern_1", spec_title="Another one")
    check = checked(shelf, NEXT)
    assert states(check)["lantern_1"] == "whole"
    assert [entry.name for entry in check.entries if entry.is_exchanged] == ["lantern_1"]
    assert not check.is_proved
    assert "1 exchanged since the last check" in render_shelf(check)


def test_the_second_copy_is_held_against_the_first(shelf: Path, tmp_path: Path) -> None:
    other = Path(shutil.copytree(shelf, tmp_path / "other", symlinks=True))
    assert checked(shelf, second=other).is_proved
    flip(other / "lantern_1")
    shutil.rmtree(other / "lantern_2")
    shutil.rmtree(other / "2025" / "ferry_1")
    records.delivered(other / "2025", "ferry_1", spec_title="Another one")
    check = checked(shelf, NEXT, second=other)
    found = {entry.name: entry.copy.state for entry in check.entries if entry.copy is not None}
    assert found == {"2025/ferry_1": "other", "lantern_1": "damaged", "lantern_2": "missing"}
    assert not check.is_proved
    assert "Make the second copy anew" in render_shelf(check)


def test_a_damaged_package_is_replaced_from_its_whole_copy(shelf: Path, tmp_path: Path) -> None:
    other = Path(shutil.copytree(shelf, tmp_path / "other", symlinks=True))
    flip(shelf / "lantern_1")
    check = checked(shelf, second=other)
    assert "Replace what is damaged from the copy that is whole" in render_shelf(check)


def test_one_package_and_its_copy(shelf: Path, tmp_path: Path) -> None:
    other = Path(shutil.copytree(shelf / "lantern_1", tmp_path / "lantern_1"))
    check = checked(shelf / "lantern_1", second=other)
    assert check.is_proved
    assert (shelf / "fixity-log.csv").is_file()
    assert not (shelf / "lantern_1" / "fixity-log.csv").exists()


def test_what_is_left_of_a_package_does_not_stop_the_others(shelf: Path) -> None:
    for path in (shelf / "lantern_1").iterdir():
        if path.is_file() and path.name != "bagit.txt":
            path.unlink()
    (shelf / "junk.zip").write_bytes(b"no zip")
    check = checked(shelf)
    assert states(check) == {
        "2025/ferry_1": "whole",
        "junk.zip": "incomplete",
        "lantern_1": "incomplete",
        "lantern_2": "whole",
    }


def test_a_package_is_no_shelf(shelf: Path) -> None:
    assert is_shelf(shelf)
    assert not is_shelf(shelf / "lantern_1")


def test_an_empty_shelf_is_refused(tmp_path: Path) -> None:
    with pytest.raises(DeliveryError, match="holds no package"):
        check_shelf(tmp_path)
    assert list(tmp_path.iterdir()) == []


def test_no_log_goes_into_a_package_or_through_a_link(shelf: Path, tmp_path: Path) -> None:
    with pytest.raises(UsageError, match="lies inside the package"):
        check_shelf(shelf, log=shelf / "lantern_1" / "data" / "log.csv")
    (tmp_path / "precious.txt").write_text("keep me")
    (shelf / "fixity-log.csv").symlink_to(tmp_path / "precious.txt")
    with pytest.raises(DeliveryError, match="log"):
        checked(shelf)
    assert (tmp_path / "precious.txt").read_text() == "keep me"


@pytest.mark.parametrize("content", [b"\xff\xfe\x00", b'"open', b"a,b\r\n1,2\r\n", b"\0" * 1000])
def test_a_log_that_somebody_spoiled_is_passed_over(shelf: Path, content: bytes) -> None:
    (shelf / "fixity-log.csv").write_bytes(content)
    assert checked(shelf).is_proved
    lines = (shelf / "fixity-log.csv").read_bytes()
    assert lines.startswith(content)
    assert lines.removeprefix(content).lstrip(b"\r\n").startswith(b"2026-03-01T12:00:00Z,")


def test_the_command(shelf: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    run = here(capsys, "verify", shelf, "--json", "-")
    assert run.code == 0, run.err
    told = json.loads(run.out)
    assert told["is_proved"] is True
    assert [package["name"] for package in told["packages"]] == [
        "2025/ferry_1",
        "lantern_1",
        "lantern_2",
    ]
    other = Path(shutil.copytree(shelf / "lantern_1", tmp_path / "copy"))
    flip(other)
    assert here(capsys, "verify", shelf / "lantern_1", "--copy", other).code == 5
    assert here(capsys, "verify", shelf, other, "--copy", other).code == 2


def test_json_holds_to_its_schema(shelf: Path, tmp_path: Path) -> None:
    other = Path(shutil.copytree(shelf, tmp_path / "other", symlinks=True))
    checked(shelf)
    flip(shelf / "lantern_1")
    flip(other / "lantern_2")
    shutil.rmtree(shelf / "2025")
    jsonschema.Draft202012Validator.check_schema(shelf_schema())
    for told in (checked(shelf, NEXT), checked(shelf, NEXT, second=other)):
        jsonschema.validate(json.loads(render_shelf_json(told)), shelf_schema())
