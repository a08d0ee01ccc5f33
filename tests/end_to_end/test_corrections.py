"""A package is corrected by a drop of corrected files alone; everything else is carried over."""

from __future__ import annotations

import json
import shutil
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import bagit
import pytest

from stemprep.app.corrections.correction import Correction
from stemprep.app.delivery.deliver import deliver
from stemprep.app.packages.verify import verify
from stemprep.errors import DeliveryError, InputError, UsageError
from stemprep.model.report import Report
from tests.cli.running import here
from tests.end_to_end import drops


def manifest_of(package: Path) -> dict[str, Any]:
    content: dict[str, Any] = json.loads((package / "data/manifest.json").read_text())
    return content


def file_of(package: Path, source: str) -> dict[str, Any]:
    found: list[dict[str, Any]] = [
        file
        for file in manifest_of(package)["files"]
        if source in [item["path"] for item in file["sources"]]
    ]
    assert len(found) == 1, [item["path"] for item in manifest_of(package)["files"]]
    return found[0]


@dataclass(frozen=True)
class House:
    place: Path
    spec: str
    first: Path

    def correct(self, drop: Path, reason: str | None = "wrong take") -> tuple[Report, Path]:
        correction = Correction(package=self.first, reason=reason)
        report = deliver(drop, self.spec, [self.place / "out"], correction=correction)
        assert report.package is not None, [finding.message for finding in report.findings]
        return report, Path(report.package)


@pytest.fixture(scope="module", params=["mastering", "overdub", "archive"])
def first(
    request: pytest.FixtureRequest, tmp_path_factory: pytest.TempPathFactory
) -> tuple[str, Path]:
    place = tmp_path_factory.mktemp("first")
    drop = drops.tracking_drop(place / "Slow Ferry Home")
    report = deliver(drop, request.param, [place / "out"])
    assert report.package is not None
    return request.param, Path(report.package)


ONE_SPEC = pytest.mark.parametrize("first", ["mastering"], indirect=True)


@pytest.fixture
def house(first: tuple[str, Path], tmp_path: Path) -> House:
    spec, package = first
    return House(tmp_path, spec, package)


def new_bass(path: Path, *, start_s: float | None = drops.START_S) -> Path:
    sound = drops.note(peak_dbfs=-15, seconds=1.0, seed=22)
    return drops.write_take(path, sound, bits=16, start_s=start_s)


def test_one_file_is_replaced_and_the_rest_carried(house: House) -> None:
    new_bass(house.place / "fix" / "02 Bass.wav")
    before = drops.state(house.first)
    _, package = house.correct(house.place / "fix")
    assert drops.state(house.first) == before
    (proof,) = verify([package])
    assert proof.is_whole
    assert bagit.Bag(str(package)).is_valid()  # RFC 8493 by its reference implementation
    old, new = manifest_of(house.first), manifest_of(package)
    changed = {file["path"] for file in new["files"]} ^ {file["path"] for file in old["files"]}
    assert not changed, "no file has another name"
    bass = file_of(package, "02 Bass.wav")["path"]
    hashes = {file["path"]: file["sha256"] for file in old["files"] if not file["made_by_us"]}
    for file in new["files"]:
        if file["made_by_us"]:
            continue
        if file["path"] == bass:
            assert file["sha256"] != hashes[bass]
            continue
        assert file["sha256"] == hashes[file["path"]]
        assert [step["name"] for step in file["operations"]] == ["copy"]
        assert (package / file["path"]).read_bytes() == (house.first / file["path"]).read_bytes()
    assert new["package"]["delivery"] == 2
    (seal,) = verify([house.first])
    assert new["package"]["predecessor"] == {
        "name": house.first.name,
        "number": 1,
        "tag_manifest_sha256": seal.tag_manifest_sha256,
    }
    assert new["package"]["amends"]["replaced"] == [bass.removeprefix("data/")]
    assert new["package"]["amends"]["reason"] == "wrong take"
    assert [item["source"] for item in new["documents"]] == [
        item["source"] for item in old["documents"]
    ]


@ONE_SPEC
def test_the_first_line_of_the_note_says_what_and_why(house: House) -> None:
    new_bass(house.place / "fix" / "02 Bass.wav")
    _, package = house.correct(house.place / "fix")
    text = " ".join((package / "data/delivery-note.txt").read_text().split())
    bass = file_of(package, "02 Bass.wav")["path"].removeprefix("data/")
    assert text.startswith(f"Corrected replaced {bass}, because: wrong take.")
    assert f"as it was in {house.first.name}" in text


@ONE_SPEC
@pytest.mark.parametrize("name", ["by package path", "by name alone"])
def test_a_file_is_found_by_its_name_in_the_package(house: House, name: str) -> None:
    path = file_of(house.first, "02 Bass.wav")["path"]
    new_bass(house.place / "fix" / (path if name == "by package path" else Path(path).name))
    _, package = house.correct(house.place / "fix")
    assert file_of(package, "02 Bass.wav")["path"] == path
    assert len(manifest_of(package)["files"]) == len(manifest_of(house.first)["files"])


@ONE_SPEC
def test_a_file_that_replaces_nothing_is_added_and_said_so(house: House) -> None:
    drops.write_take(house.place / "fix" / "07 Fiddle.wav", drops.note(peak_dbfs=-9, seconds=1.0))
    _, package = house.correct(house.place / "fix", "the fiddle was forgotten")
    added = file_of(package, "07 Fiddle.wav")["path"].removeprefix("data/")
    note = " ".join((package / "data/delivery-note.txt").read_text().split())
    assert note.startswith(f"Corrected added {added}, because: the fiddle was forgotten.")


def test_a_new_sheet_corrects_facts_and_gives_the_reason(house: House) -> None:
    (house.place / "fix").mkdir()
    (house.place / "fix" / "session.yaml").write_text(
        "title: Slow Ferry Home (single)\ncorrection: the title was wrong\n"
    )
    _, package = house.correct(house.place / "fix", reason=None)
    sheet = manifest_of(package)["sheet"]
    assert (sheet["title"], sheet["artist"]) == (
        "Slow Ferry Home (single)",
        "The Quillmoor Lantern Band",
    )
    assert [track["source"] for track in sheet["tracks"]] == ["voice"]
    note = " ".join((package / "data/delivery-note.txt").read_text().split())
    assert "because: the title was wrong" in note[:200]


def test_a_correction_is_corrected_again(house: House) -> None:
    new_bass(house.place / "fix" / "02 Bass.wav")
    _, second = house.correct(house.place / "fix")
    again = House(house.place, house.spec, second)
    drops.write_take(
        house.place / "more" / "01 Kick.wav", drops.note(peak_dbfs=-9, seconds=1.0, seed=31)
    )
    _, third = again.correct(house.place / "more")
    assert manifest_of(third)["package"]["delivery"] == 3
    assert third.name.endswith("_03")
    bass = [file_of(package, "02 Bass.wav")["sha256"] for package in (second, third)]
    assert bass[0] == bass[1]


def test_checks_see_the_merged_set(house: House) -> None:
    """A take that begins before the carried ones is told; where those would move, it stops."""
    early = drops.note(peak_dbfs=-15, seconds=3.0, seed=22)
    drops.write_take(house.place / "fix" / "02 Bass.wav", early, start_s=drops.START_S - 2)
    correction = Correction(package=house.first)
    report = deliver(house.place / "fix", house.spec, [house.place / "out"], correction=correction)
    told = {finding.check for finding in report.findings}
    assert told & {"start-alignment", "time-reference"}, told
    if house.spec == "overdub":
        assert report.package is None
        assert any("byte for byte" in finding.message for finding in report.findings)


@ONE_SPEC
def test_the_same_correction_is_already_delivered(
    house: House, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("SOURCE_DATE_EPOCH", "1919635200")
    new_bass(house.place / "fix" / "02 Bass.wav")
    house.correct(house.place / "fix")
    moved = drops.copied(house.place / "fix", house.place / "a" / "b" / "other name")
    report, _ = house.correct(moved)
    assert report.is_package_known


@ONE_SPEC
def test_a_damaged_package_is_not_corrected(house: House) -> None:
    broken = Path(shutil.copytree(house.first, house.place / "broken"))
    victim = next(broken.glob("data/**/*.wav"))
    content = bytearray(victim.read_bytes())
    content[-1] ^= 1
    victim.write_bytes(content)
    new_bass(house.place / "fix" / "02 Bass.wav")
    with pytest.raises(DeliveryError, match="no whole package"):
        deliver(
            house.place / "fix",
            house.spec,
            [house.place / "out"],
            correction=Correction(package=broken),
        )
    assert not (house.place / "out").exists()


@ONE_SPEC
def test_nothing_is_written_into_the_corrected_package(house: House) -> None:
    new_bass(house.place / "fix" / "02 Bass.wav")
    with pytest.raises(UsageError, match="lies inside the package"):
        deliver(
            house.place / "fix",
            house.spec,
            [house.first / "data"],
            correction=Correction(package=house.first),
        )


@ONE_SPEC
def test_an_empty_drop_corrects_nothing(house: House) -> None:
    (house.place / "fix").mkdir()
    with pytest.raises(InputError, match="nothing that could correct"):
        house.correct(house.place / "fix")


@ONE_SPEC
def test_two_files_for_one_are_refused(house: House) -> None:
    new_bass(house.place / "fix" / "02 Bass.wav")
    new_bass(house.place / "fix" / "new" / "02 Bass.wav")
    with pytest.raises(UsageError, match="two dropped files correct"):
        house.correct(house.place / "fix")


def test_what_is_dropped_again_unchanged_is_not_called_replaced(house: House) -> None:
    """Somebody drops the whole session with one file changed: only that one is named."""
    drops.tracking_drop(house.place / "fix")
    (house.place / "fix" / "02 Bass.wav").unlink()
    new_bass(house.place / "fix" / "02 Bass.wav")
    _, package = house.correct(house.place / "fix")
    amends = manifest_of(package)["package"]["amends"]
    bass = file_of(package, "02 Bass.wav")["path"].removeprefix("data/")
    assert [path for path in amends["replaced"] if path.endswith(".wav")] == [bass]
    assert amends["added"] == []


@ONE_SPEC
def test_a_zip_is_to_be_unpacked_first(house: House) -> None:
    new_bass(house.place / "fix" / "02 Bass.wav")
    (house.place / "old.zip").write_bytes(b"PK")
    with pytest.raises(DeliveryError, match="unpack a zip first"):
        deliver(
            house.place / "fix",
            house.spec,
            [house.place / "out"],
            correction=Correction(package=house.place / "old.zip"),
        )


@ONE_SPEC
def test_the_command_takes_the_spec_of_the_package(
    house: House, capsys: pytest.CaptureFixture[str]
) -> None:
    fix, out = house.place / "fix", house.place / "out"
    new_bass(fix / "02 Bass.wav")
    order = (fix, "--amends", house.first, "--reason", "wrong take")
    shown = here(capsys, "plan", *order)
    assert shown.code == 0, shown.err
    assert shown.out.startswith("Corrected replaced ")
    run = here(capsys, "deliver", *order, "--to", out)
    assert run.code == 0, run.err
    assert "Corrected replaced" in run.out
    (package,) = out.iterdir()
    assert manifest_of(package)["spec"]["name"] == house.spec


@ONE_SPEC
def test_options_that_contradict_are_refused(
    house: House, capsys: pytest.CaptureFixture[str]
) -> None:
    new_bass(house.place / "fix" / "02 Bass.wav")
    to = (house.place / "fix", "--to", house.place / "out")
    for options in (
        ("--spec", house.spec, "--reason", "why not"),
        ("--amends", house.first, "--after", house.first),
        (),
    ):
        assert here(capsys, "deliver", *to, *options).code == 2


GAIN_SHEET = """\
title: Slow Ferry Home
songs: [{title: Low Water, gain_db: -3.0}]
"""


def balanced_session(folder: Path) -> Path:
    """Two stems that add up to the mix, all to be lowered by 3 dB for the mastering room."""
    stems = {
        "stems/Low Water_BASS.wav": drops.note(peak_dbfs=-12, seconds=1.0, channels=2, seed=41),
        "stems/Low Water_KEYS.wav": drops.note(peak_dbfs=-12, seconds=1.0, channels=2, seed=42),
    }
    for sound in stems.values():
        sound[1] *= 0.5
    for name, sound in stems.items():
        drops.write_take(folder / name, sound)
    drops.write_take(folder / "Low Water_MIX.wav", sum(stems.values()))  # type: ignore[arg-type]
    (folder / "session.yaml").write_text(GAIN_SHEET)
    return folder


def test_a_corrected_stem_is_brought_to_the_level_that_the_rest_has(tmp_path: Path) -> None:
    """The sheet's gain was done to the carried files before: to the new one it is done now."""
    drop = balanced_session(tmp_path / "drop")
    first = deliver(drop, "mastering", [tmp_path / "out"])
    assert first.package is not None, [finding.message for finding in first.findings]
    assert not [finding for finding in first.findings if finding.check == "null-test"]
    (tmp_path / "fix").mkdir()
    old = (drop / "stems/Low Water_BASS.wav").read_bytes()
    new = tmp_path / "fix" / "Low Water_BASS.wav"
    new.write_bytes(old.replace(b"Low Water_BASS", b"Low Water_BaSS"))  # another header
    correction = Correction(package=Path(first.package), reason="another header")
    report = deliver(tmp_path / "fix", "mastering", [tmp_path / "out"], correction=correction)
    assert report.package is not None
    assert not [finding for finding in report.findings if finding.check == "null-test"]
    (bass,) = [
        file
        for file in manifest_of(Path(report.package))["files"]
        if file["path"].endswith("BASS.wav")
    ]
    assert "gain" in [step["name"] for step in bass["operations"]]
    (before,) = [
        file
        for file in manifest_of(Path(first.package))["files"]
        if file["path"].endswith("BASS.wav")
    ]
    assert bass["audio_sha256"] == before["audio_sha256"], "dither is keyed by sound, not by file"
    (tmp_path / "fix" / "session.yaml").write_text(GAIN_SHEET.replace("-3.0", "-6.0"))
    report = deliver(tmp_path / "fix", "mastering", [tmp_path / "out"], correction=correction)
    assert report.package is None, "the carried files are not where the new sheet wants them"
