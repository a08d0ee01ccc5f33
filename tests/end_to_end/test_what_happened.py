"""A damaged package of real sound: verify says what happened, in bytes and in time."""

from __future__ import annotations

import json
import shutil
from pathlib import Path
from typing import Any

import pytest
import soundfile

from stemprep.app.delivery.deliver import deliver
from tests.cli.running import here
from tests.end_to_end import drops

RATE_HZ = 48_000
TAKE = "02 Room.wav"


@pytest.fixture(scope="module")
def delivered(tmp_path_factory: pytest.TempPathFactory) -> Path:
    place = tmp_path_factory.mktemp("packed")
    drop = place / "drop"
    drops.one_take(drop)
    drops.write_take(
        drop / TAKE, drops.note(peak_dbfs=-20, seconds=2, channels=2, seed=3),
        bits=24, encoding="integer",
    )  # fmt: skip
    soundfile.write(
        drop / "03 Bell.flac", drops.note(peak_dbfs=-20, seconds=2, channels=1, seed=4).T, RATE_HZ,
        subtype="PCM_24",
    )  # fmt: skip
    report = deliver(drop, "archive", [place / "out"])
    assert report.package is not None
    return Path(report.package)


@pytest.fixture
def package(delivered: Path, tmp_path: Path) -> Path:
    return Path(shutil.copytree(delivered, tmp_path / delivered.name))


def damage_of(
    capsys: pytest.CaptureFixture[str], package: Path, *more: object
) -> tuple[dict[str, Any], dict[str, Any]]:
    ran = here(capsys, "verify", package, "--json", "-", *more)
    assert ran.code == 5, ran.err
    (told,) = json.loads(ran.out)["packages"]
    (damage,) = told["damages"]
    return damage, told


def sound_start(path: Path) -> int:
    return path.read_bytes().index(b"data") + 8


def test_cut_off_is_told_with_byte_and_time(
    package: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    (take,) = package.rglob(TAKE)
    content = take.read_bytes()
    end = sound_start(take) + RATE_HZ * 6 // 2
    take.write_bytes(content[:end])
    damage, _ = damage_of(capsys, package)
    assert (damage["kind"], damage["cause"]) == ("audio-changed", "cut-off")
    assert (damage["at_byte"], damage["at_s"]) == (end, 0.5)
    assert f"cut off at byte {end:,} of {len(content):,}" in damage["message"]
    assert "ends at 0:00.500 instead of 0:02.000" in damage["message"]
    assert "keep this file" in damage["message"]


def test_a_flac_that_is_cut_off(package: Path, capsys: pytest.CaptureFixture[str]) -> None:
    (take,) = package.rglob("03 Bell.flac")
    content = take.read_bytes()
    take.write_bytes(content[: len(content) // 2])
    damage, _ = damage_of(capsys, package)
    assert (damage["cause"], damage["at_byte"]) == ("cut-off", len(content) // 2)


def test_another_recording_under_its_name(
    package: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    (take,) = package.rglob(TAKE)
    take.unlink()
    drops.write_take(
        take, drops.note(peak_dbfs=-20, seconds=1, channels=2, seed=9), bits=24, encoding="integer"
    )
    damage, _ = damage_of(capsys, package)
    assert damage["cause"] == "replaced"
    assert "0:01.000 at 48,000 Hz in 2 channels; delivered: 0:02.000" in damage["message"]
    assert "keep it" in damage["message"]


def test_a_changed_sample_cannot_be_placed_without_a_copy(
    package: Path, delivered: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    (take,) = package.rglob(TAKE)
    content = bytearray(take.read_bytes())
    at = sound_start(take) + 48_000 * 6 + 1
    content[at] ^= 1
    take.write_bytes(content)
    damage, _ = damage_of(capsys, package)
    assert damage["cause"] is None
    assert "--copy" in damage["message"]
    damage, told = damage_of(capsys, package, "--copy", delivered)
    assert (damage["cause"], damage["at_byte"], damage["at_s"]) == ("flipped-bits", at, 1.0)
    assert "1 bit is flipped" in damage["message"]
    assert "0:01.000 in the sound" in damage["message"]
    assert told["copies"][0]["state"] == "same"
    assert told["copies"][0]["fetch"] == [damage["path"]]


def test_bytes_added_after_the_sound(package: Path, capsys: pytest.CaptureFixture[str]) -> None:
    (take,) = package.rglob(TAKE)
    with take.open("ab") as stream:
        stream.write(b"junk" * 5)
    damage, _ = damage_of(capsys, package)
    assert (damage["kind"], damage["cause"]) == ("header-changed", "grown")
    assert "20 bytes were added" in damage["message"]


def test_a_renamed_take_is_measured_by_nobody_and_lost_by_nobody(
    package: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    (take,) = package.rglob(TAKE)
    take.rename(take.with_name("02 ROOM final.wav"))
    ran = here(capsys, "verify", package)
    assert ran.code == 5
    text = " ".join(ran.out.split())
    assert "To do Give the files named below their names back" in text
    assert "take it out" not in text
    assert f"mv -n -- 'data/02 ROOM final.wav' 'data/{TAKE}'" in ran.out


def test_a_folder_opened_on_another_system_is_whole(
    package: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    (package / ".DS_Store").write_bytes(b"\0\0\0\1Bud1")
    (package / f"data/._{TAKE}").write_bytes(b"\0\5\x16\7")
    ran = here(capsys, "verify", package)
    assert ran.code == 0
    assert ran.out.startswith("Verdict   whole\n")
    assert "2 files added by another system" in ran.out
    assert here(capsys, "compare", package, package).code == 0
