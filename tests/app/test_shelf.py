"""A shelf of packages is checked as a whole, year after year, and against its second copy."""

from __future__ import annotations

import csv
import hashlib
import json
import shutil
import subprocess
from collections.abc import Callable, Sequence
from datetime import UTC, datetime
from pathlib import Path

import jsonschema
import pytest

from stemprep.app.delivery.zip_package import publish_zip
from stemprep.app.packages.shelf import check_shelf, confirm, is_shelf
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
    copies = [] if second is None else [second]
    return check_shelf(shelf, copies=copies, engine=InlineEngine(), now=now)


def run_lines(commands: Sequence[str]) -> bool:
    """Run advised lines as a person would, one after the other."""
    subprocess.run(["/bin/sh", "-e", "-c", "\n".join(commands)], check=True)
    return bool(commands)


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
    found = {entry.name: copy.state for entry in check.entries for copy in entry.copies}
    assert found == {"2025/ferry_1": "other", "lantern_1": "damaged", "lantern_2": "missing"}
    assert not check.is_proved
    assert "Mend the copy from what is whole here" in render_shelf(check)


def test_a_damaged_package_is_replaced_from_its_whole_copy(shelf: Path, tmp_path: Path) -> None:
    other = Path(shutil.copytree(shelf, tmp_path / "other", symlinks=True))
    flip(shelf / "lantern_1")
    check = checked(shelf, second=other)
    text = render_shelf(check)
    assert "Fetch what is lost from the copy that has it whole" in text
    assert "1 with the copy whole" in text
    assert "the copy is the same: " not in text
    (entry,) = [entry for entry in check.entries if entry.state == "damaged"]
    (copy,) = entry.copies
    assert copy.fetch == (VICTIM,)
    assert f"cp -n -- {other / 'lantern_1' / VICTIM} {VICTIM}" in copy.commands
    assert run_lines(copy.commands)
    assert checked(shelf, NEXT, second=other).is_proved


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


# --- alarms stay until a person ends them


LATER = datetime(2028, 3, 1, 12, 0, tzinfo=UTC)
LAST = datetime(2029, 3, 1, 12, 0, tzinfo=UTC)


def exchange(shelf: Path) -> None:
    shutil.rmtree(shelf / "lantern_1")
    records.delivered(shelf, "lantern_1", spec_title="Another one")


def rows_of(shelf: Path, package: str = "lantern_1") -> list[dict[str, str]]:
    text = (shelf / "fixity-log.csv").read_text(encoding="utf-8")
    return [row for row in csv.DictReader(text.splitlines()) if row["package"] == package]


def test_an_exchange_is_told_until_somebody_confirms_it(shelf: Path) -> None:
    checked(shelf)
    exchange(shelf)
    for moment in (NEXT, LATER):
        check = checked(shelf, moment)
        assert not check.is_proved
        text = render_shelf(check)
        assert "1 exchanged since the last check" in text
        assert "known since 2026-03-01" in text
        assert "--confirm PACKAGE --initials WHO" in " ".join(text.split())
    assert [row["state"] for row in rows_of(shelf)] == ["whole", "exchanged", "exchanged"]
    done = confirm(shelf / "lantern_1", "QB", engine=InlineEngine(), now=LATER)
    assert (done.package, done.by) == ("lantern_1", "QB")
    row = rows_of(shelf)[-1]
    assert (row["state"], row["checked_at"][:10], row["seal"]) == (
        "confirmed", "2028-03-01", done.seal,
    )  # fmt: skip
    assert row["first_damage"] == "confirmed by QB"
    assert checked(shelf, LAST).is_proved


def test_beside_an_exchanged_package_the_copy_is_never_to_be_written_over(
    shelf: Path, tmp_path: Path
) -> None:
    """The copy may be the last that is as it was delivered; the headline must not cost it."""
    copy = tmp_path / "second"
    shutil.copytree(shelf, copy, symlinks=True)
    assert checked(shelf, second=copy).is_proved
    shutil.rmtree(shelf / "lantern_1")
    records.delivered(tmp_path, "other", delivery=7)
    (tmp_path / "other").rename(shelf / "lantern_1")
    text = " ".join(render_shelf(checked(shelf, NEXT, copy)).split())
    assert "anew" not in text
    assert "Keep every copy as it is until then" in text
    assert "has the seal that was known until the exchange: keep it as it is" in text


def test_which_of_two_packages_was_delivered_is_not_guessed(shelf: Path, tmp_path: Path) -> None:
    """At the first check nothing tells which one is true."""
    copy = tmp_path / "second"
    shutil.copytree(shelf, copy, symlinks=True)
    shutil.rmtree(copy / "lantern_1")
    records.delivered(tmp_path, "other", delivery=7)
    (tmp_path / "other").rename(copy / "lantern_1")
    text = " ".join(render_shelf(checked(shelf, second=copy)).split())
    assert "To do Find out which of the two is the one that was delivered" in text
    assert "anew" not in text
    assert "known until the exchange" not in text


def test_the_first_one_coming_back_ends_the_alarm(shelf: Path, tmp_path: Path) -> None:
    checked(shelf)
    (shelf / "lantern_1").rename(tmp_path / "kept")
    records.delivered(shelf, "lantern_1", spec_title="Another one")
    assert not checked(shelf, NEXT).is_proved
    shutil.rmtree(shelf / "lantern_1")
    (tmp_path / "kept").rename(shelf / "lantern_1")
    assert checked(shelf, LATER).is_proved


def test_a_log_of_before_that_called_an_exchange_whole(shelf: Path) -> None:
    """Logs of 0.1.0 say 'whole' of both: the first seal is the known one."""
    checked(shelf)
    exchange(shelf)
    checked(shelf, NEXT)
    log = shelf / "fixity-log.csv"
    log.write_bytes(log.read_bytes().replace(b",exchanged,", b",whole,"))
    assert not checked(shelf, LATER).is_proved


def test_damage_that_went_away_is_told_until_somebody_confirms_it(shelf: Path) -> None:
    checked(shelf)
    flip(shelf / "lantern_1")
    checked(shelf, NEXT)
    flip(shelf / "lantern_1")
    for moment in (LATER, LAST):
        check = checked(shelf, moment)
        assert check.is_proved
        text = render_shelf(check)
        assert "1 whole again after damage" in text
        assert "damaged on 2027-03-01" in text
        assert VICTIM in text
        assert rows_of(shelf)[-1]["first_damage"].startswith("whole again, damaged on 2027-03-01")
    confirm(shelf / "lantern_1", "QB", engine=InlineEngine(), now=LAST)
    check = checked(shelf, LAST)
    assert "after damage" not in render_shelf(check)


def test_a_package_in_a_folder_of_its_year_is_confirmed_in_the_log_of_the_shelf(
    shelf: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    checked(shelf)
    shutil.rmtree(shelf / "2025/ferry_1")
    records.delivered(shelf / "2025", "ferry_1", spec_title="Another one")
    checked(shelf, NEXT)
    monkeypatch.chdir(shelf / "2025")
    assert confirm(Path("ferry_1"), "QB", engine=InlineEngine()).package == "2025/ferry_1"
    assert not (shelf / "2025/fixity-log.csv").exists()


def test_a_package_that_was_taken_away_is_confirmed(shelf: Path) -> None:
    checked(shelf)
    shutil.rmtree(shelf / "lantern_1")
    assert not checked(shelf, NEXT).is_proved
    assert confirm(shelf / "lantern_1", "QB", engine=InlineEngine()).seal is None
    assert checked(shelf, LATER).is_proved


def test_damage_is_never_confirmed(shelf: Path) -> None:
    checked(shelf)
    flip(shelf / "lantern_1")
    before = (shelf / "fixity-log.csv").read_bytes()
    with pytest.raises(DeliveryError, match="mended, not confirmed"):
        confirm(shelf / "lantern_1", "QB", engine=InlineEngine())
    assert (shelf / "fixity-log.csv").read_bytes() == before


@pytest.mark.parametrize("by", ["", "  ", "x" * 41, "Q\nB"])
def test_who_confirms_has_a_name(shelf: Path, by: str) -> None:
    checked(shelf)
    with pytest.raises(UsageError, match="initials"):
        confirm(shelf / "lantern_1", by, engine=InlineEngine())


def test_what_no_log_knows_is_not_confirmed(tmp_path: Path) -> None:
    package = records.delivered(tmp_path)
    with pytest.raises(UsageError, match="no log of checks knows it"):
        confirm(package, "QB", engine=InlineEngine())
    assert not (tmp_path / "fixity-log.csv").exists()


def test_confirming_by_the_command(shelf: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert here(capsys, "verify", shelf).code == 0
    exchange(shelf)
    assert here(capsys, "verify", shelf).code == 5
    assert here(capsys, "verify", shelf).code == 5
    for wrong in (
        ["--confirm", shelf / "lantern_1"],
        ["--initials", "QB", shelf / "lantern_1"],
        ["--confirm", "--initials", "QB", shelf],
        ["--confirm", "--initials", "QB", shelf / "lantern_1", shelf / "lantern_2"],
    ):
        assert here(capsys, "verify", *wrong).code == 2
    run = here(capsys, "verify", "--confirm", "--initials", "QB", shelf / "lantern_1")
    assert run.code == 0, run.err
    assert "QB" in run.out
    assert here(capsys, "verify", shelf).code == 0


# --- copies


def test_two_copies_are_both_held_against_the_first(shelf: Path, tmp_path: Path) -> None:
    """The first copy lacks one file, the second another: together they have all."""
    copies = [
        Path(shutil.copytree(shelf, tmp_path / name, symlinks=True)) for name in ("one", "two")
    ]
    flip(shelf / "lantern_1")
    flip(shelf / "lantern_1", "data/stems/Voice.wav")
    flip(copies[0] / "lantern_1")
    flip(copies[1] / "lantern_1", "data/stems/Voice.wav")
    check = check_shelf(shelf, copies=copies, engine=InlineEngine(), now=FIRST)
    (entry,) = [entry for entry in check.entries if entry.state != "whole"]
    assert [copy.fetch for copy in entry.copies] == [("data/stems/Voice.wav",), (VICTIM,)]
    for copy in entry.copies:
        assert run_lines(copy.commands)
    check = check_shelf(shelf, copies=copies, engine=InlineEngine(), now=NEXT)
    (entry,) = [entry for entry in check.entries if entry.name == "lantern_1"]
    assert entry.state == "whole"
    for copy in entry.copies:
        assert run_lines(copy.mend_commands)
    assert check_shelf(shelf, copies=copies, engine=InlineEngine(), now=LATER).is_proved


def test_copies_by_the_command(
    shelf: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    one = shutil.copytree(shelf, tmp_path / "one", symlinks=True)
    two = Path(shutil.copytree(shelf, tmp_path / "two", symlinks=True))
    flip(two / "lantern_2")
    run = here(capsys, "verify", shelf, "--copy", two, "--copy", one, "--json", "-")
    assert run.code == 5
    (package,) = [item for item in json.loads(run.out)["packages"] if item["name"] == "lantern_2"]
    assert [copy["state"] for copy in package["copies"]] == ["damaged", "same"]
    assert package["copy"] == package["copies"][0]
    assert here(capsys, "verify", shelf, "--copy", one, "--copy", one).code == 2
    assert here(capsys, "verify", shelf, "--copy", shelf).code == 2


def test_packages_that_only_a_copy_holds_are_told(shelf: Path, tmp_path: Path) -> None:
    other = Path(shutil.copytree(shelf, tmp_path / "other", symlinks=True))
    records.delivered(other / "2025", "only_here")
    check = checked(shelf, second=other)
    assert [(only.place, only.name) for only in check.only_copies] == [
        (str(other), "2025/only_here")
    ]
    assert not check.is_proved
    assert "1 only in a copy" in render_shelf(check)
    assert "2025/only_here: only in the copy" in render_shelf(check)


def cut(content: bytes) -> bytes:
    return content[:100]


def grow(content: bytes) -> bytes:
    return content + b"more"


def flip_bits(content: bytes) -> bytes:
    return content[:7] + bytes([content[7] ^ 3]) + content[8:]


def blank(content: bytes) -> bytes:
    return content[:200] + bytes(100) + content[300:]


def exchange_bytes(content: bytes) -> bytes:
    return bytes(byte ^ 0x5A for byte in content)


@pytest.mark.parametrize(
    ("change", "cause", "at_byte", "words"),
    [
        (cut, "cut-off", 100, "is cut off at byte 100 of 900"),
        (grow, "grown", 900, "4 bytes were added after its end, byte 900"),
        (flip_bits, "flipped-bits", 7, "2 bits are flipped, in byte 7 of 900"),
        (blank, "overwritten", 200, "from byte 200 to 299"),
        (exchange_bytes, "replaced", 0, "is another file"),
    ],
)
def test_what_happened_to_a_file_is_said_beside_its_copy(
    shelf: Path,
    tmp_path: Path,
    change: Callable[[bytes], bytes],
    cause: str,
    at_byte: int,
    words: str,
) -> None:
    other = Path(shutil.copytree(shelf / "lantern_1", tmp_path / "lantern_1"))
    victim = shelf / "lantern_1" / VICTIM
    victim.write_bytes(change(victim.read_bytes()))
    for first, second, is_first in (
        (shelf / "lantern_1", other, True),
        (other, shelf / "lantern_1", False),
    ):
        (entry,) = checked(first, second=second).entries
        (copy,) = entry.copies
        result = entry.verification if is_first else copy.verification
        assert result is not None
        (damage,) = result.damages
        assert (damage.cause, damage.at_byte) == (cause, at_byte)
        assert words in damage.message
    (entry,) = checked(shelf / "lantern_1", second=other).entries
    before = victim.read_bytes()
    assert run_lines(entry.copies[0].commands)
    assert checked(shelf / "lantern_1", second=other).is_proved
    (kept,) = (shelf / "lantern_1.set-aside").iterdir()
    assert kept.read_bytes() == before


@pytest.mark.parametrize(
    "name", ["tagmanifest-sha256.txt", "manifest-sha512.txt", "bagit.txt", "data/manifest.csv"]
)
def test_a_damaged_list_does_not_make_the_copy_another_package(
    shelf: Path, tmp_path: Path, name: str
) -> None:
    other = Path(shutil.copytree(shelf / "lantern_1", tmp_path / "lantern_1"))
    flip(shelf / "lantern_1", name)
    (entry,) = checked(shelf / "lantern_1", second=other).entries
    assert entry.copies[0].state == "same"
    assert not entry.is_exchanged
    assert run_lines(entry.copies[0].commands)
    assert checked(shelf / "lantern_1", NEXT, second=other).is_proved


def test_a_copy_in_a_zip_has_no_lines_but_names(shelf: Path, tmp_path: Path) -> None:
    seal = hashlib.sha256((shelf / "lantern_1" / "tagmanifest-sha256.txt").read_bytes())
    made, _, _ = publish_zip(shelf / "lantern_1", seal.hexdigest(), tmp_path / "zips")
    flip(shelf / "lantern_1")
    check = checked(shelf / "lantern_1", second=made)
    (copy,) = check.entries[0].copies
    assert copy.fetch == (VICTIM,)
    assert copy.commands == ()
    assert f"is whole there: {VICTIM}" in " ".join(render_shelf(check).split())


# --- logs that somebody spoiled


@pytest.mark.parametrize(
    "content", [b"\xff\xfe\x00\r\n", b'"open', b"a,b\r\n1,2\r\n", b"x" * 200_000]
)
def test_a_spoiled_line_hides_no_other(shelf: Path, content: bytes) -> None:
    (shelf / "fixity-log.csv").write_bytes(content)
    checked(shelf)
    exchange(shelf)
    assert not checked(shelf, NEXT).is_proved


def test_a_package_whose_name_has_a_line_break_is_known(shelf: Path) -> None:
    (shelf / "lantern_1").rename(shelf / "lantern\n1")
    checked(shelf)
    shutil.rmtree(shelf / "lantern\n1")
    records.delivered(shelf, "lantern\n1", spec_title="Another one")
    (entry,) = [e for e in checked(shelf, NEXT).entries if e.is_exchanged]
    assert entry.name == "lantern\n1"
    confirm(shelf / "lantern\n1", "QB", engine=InlineEngine(), now=LATER)
    assert checked(shelf, LAST).is_proved


def test_a_log_of_packages_without_end_is_refused(
    shelf: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("stemprep.package.shelf.MAX_FOLDERS", 50)
    rows = (f"2026-03-01T12:00:00Z,p{n},whole,1,1,{'ab' * 32},0,,,,0.1.0\r\n" for n in range(60))
    (shelf / "fixity-log.csv").write_text("".join(rows))
    with pytest.raises(DeliveryError, match="names more than 50 packages"):
        checked(shelf)
