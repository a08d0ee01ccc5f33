"""One byte changed anywhere in a package: verify names the file and what changed."""

from __future__ import annotations

import json
import shutil
from pathlib import Path

import pytest

from stemprep.app.delivery.deliver import deliver
from tests.cli.running import here
from tests.end_to_end import drops


@pytest.fixture(scope="module")
def package(tmp_path_factory: pytest.TempPathFactory) -> Path:
    place = tmp_path_factory.mktemp("packed")
    drop = place / "drop"
    drops.one_take(drop)
    drops.write_take(
        drop / "02 Room.wav", drops.note(peak_dbfs=-20, seconds=0.5, channels=2, seed=3),
        bits=32, encoding="float",
    )  # fmt: skip
    (drop / "take notes.txt").write_text("Take 3 is the one.\n")
    report = deliver(drop, "archive", [place / "out"])
    assert report.package is not None
    return Path(report.package)


KINDS = (
    "bagit.txt",
    "bag-info.txt",
    "manifest-sha256.txt",
    "manifest-sha512.txt",
    "tagmanifest-sha256.txt",
    "tagmanifest-sha512.txt",
    "data/delivery-note.txt",
    "data/manifest.json",
    "data/manifest.csv",
    "data/report/qc-report.json",
    "data/report/qc-report.html",
    "data/report/qc-report.txt",
)


def _flip(path: Path, position: int) -> None:
    content = bytearray(path.read_bytes())
    content[position] ^= 0x01
    path.write_bytes(content)


@pytest.mark.parametrize("name", KINDS)
@pytest.mark.parametrize("place", ["first", "middle", "last"])
def test_in_every_kind_of_record(
    package: Path, name: str, place: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    copy = shutil.copytree(package, tmp_path / package.name)
    size = (copy / name).stat().st_size
    _flip(copy / name, {"first": 0, "middle": size // 2, "last": size - 1}[place])
    ran = here(capsys, "verify", copy, "--json", "-")
    assert ran.code == 5, ran.out + ran.err
    told = json.loads(ran.out) if ran.out else ran.err
    assert name in json.dumps(told) + ran.err


@pytest.mark.parametrize("take", ["01 Kick.wav", "02 Room.wav"])
@pytest.mark.parametrize(
    ("place", "kind"),
    [("riff-size", "header-changed"), ("description", "header-changed"), ("sound", "audio-changed"),
     ("first-sample", "audio-changed"), ("last-sample", "audio-changed")],
)  # fmt: skip
def test_in_sound_or_header(
    package: Path,
    take: str,
    place: str,
    kind: str,
    tmp_path: Path,
    capsys: pytest.CaptureFixture[str],
) -> None:
    copy = shutil.copytree(package, tmp_path / package.name)
    (path,) = copy.rglob(take)
    content = path.read_bytes()
    sound = content.index(b"data") + 8
    size = int.from_bytes(content[sound - 4 : sound], "little")
    positions = {
        "riff-size": 4,
        "description": content.index(b"bext") + 8,
        "sound": sound + size // 2,
        "first-sample": sound,
        "last-sample": sound + size - 1,
    }
    _flip(path, positions[place])
    ran = here(capsys, "verify", copy, "--json", "-")
    assert ran.code == 5
    (package_told,) = json.loads(ran.out)["packages"]
    damages = {damage["path"]: damage["kind"] for damage in package_told["damages"]}
    assert damages == {str(path.relative_to(copy)): kind}


def test_missing_and_extra_files_are_named(
    package: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    copy = shutil.copytree(package, tmp_path / package.name)
    (lost,) = copy.rglob("01 Kick.wav")
    lost.unlink()
    (copy / "data/added.wav").write_bytes(b"RIFF")
    ran = here(capsys, "verify", copy)
    assert ran.code == 5
    assert "01 Kick.wav" in ran.out
    assert "added.wav" in ran.out


def test_without_its_seal_it_is_incomplete(
    package: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    copy = shutil.copytree(package, tmp_path / package.name)
    for seal in copy.glob("tagmanifest-*"):
        seal.unlink()
    ran = here(capsys, "verify", copy)
    assert ran.code == 5
    assert "incomplete" in ran.out
