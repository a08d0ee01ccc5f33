"""Packages as bags: RFC 8493, read by the reference implementation and by common tools."""

from __future__ import annotations

import dataclasses
import os
import random
import re
import shutil
import stat
import subprocess
import time
import warnings
from pathlib import Path

import pytest

from stemprep.errors import DeliveryError
from stemprep.package import (
    check_commands,
    delivery_number,
    open_staging,
    publish,
    seal,
    verify_package,
)
from stemprep.package.payload_path import decode_path, encode_path
from tests.package import records

with warnings.catch_warnings():
    warnings.simplefilter("ignore")  # bagit imports the deprecated pkg_resources
    import bagit


def tree(folder: Path) -> dict[str, tuple[int, bytes]]:
    """Modes and bytes of all files and folders."""
    return {
        str(path.relative_to(folder)): (
            stat.S_IMODE(path.lstat().st_mode),
            path.read_bytes() if path.is_file() else b"",
        )
        for path in sorted(folder.rglob("*"))
    }


def test_reference_library_accepts_it(tmp_path: Path) -> None:
    """The reference implementation, `bagit`: structure, Payload-Oxum and all checksums."""
    package = records.delivered(tmp_path)
    bag = bagit.Bag(str(package))
    assert bag.validate()
    assert bag.version_info == (1, 0)
    assert set(bag.algorithms) == {"sha256", "sha512"}
    assert bag.info["External-Identifier"] == records.NAME
    assert bag.info["Bagging-Date"] == "2026-03-01"


@pytest.mark.skipif(shutil.which("sha256sum") is None, reason="GNU coreutils are missing")
def test_linux_command_accepts_and_names(tmp_path: Path) -> None:
    package = records.delivered(tmp_path)
    command = dict(check_commands())["Linux"]
    assert subprocess.run(command, shell=True, cwd=package, check=False).returncode == 0  # noqa: S602
    (package / "data/mix/Lantern.wav").write_bytes(b"RIFF mix?")
    result = subprocess.run(  # noqa: S602
        command, shell=True, cwd=package, check=False, capture_output=True, text=True
    )
    assert result.returncode != 0
    assert "data/mix/Lantern.wav: FAILED" in result.stdout


@pytest.mark.skipif(shutil.which("shasum") is None, reason="shasum is missing")
def test_mac_command_accepts(tmp_path: Path) -> None:
    package = records.delivered(tmp_path)
    command = dict(check_commands())["macOS"]
    assert subprocess.run(command, shell=True, cwd=package, check=False).returncode == 0  # noqa: S602


def test_windows_command_is_one_line_of_what_the_system_has() -> None:
    command = dict(check_commands())["Windows (PowerShell)"]
    assert "Get-FileHash -LiteralPath" in command
    assert "\n" not in command


def test_layout(tmp_path: Path) -> None:
    package = records.delivered(tmp_path)
    top = {path.name for path in package.iterdir()}
    assert top == {
        "bagit.txt", "bag-info.txt", "data", "manifest-sha256.txt", "manifest-sha512.txt",
        "tagmanifest-sha256.txt", "tagmanifest-sha512.txt",
    }  # fmt: skip
    assert {path.name for path in (package / "data").iterdir()} == {
        "stems", "mix", "documents", "report", "manifest.json", "manifest.csv",
    }  # fmt: skip


def test_declaration(tmp_path: Path) -> None:
    """RFC 8493, 2.1.1: exactly two lines, UTF-8, no byte-order mark."""
    package = records.delivered(tmp_path)
    declared = (package / "bagit.txt").read_bytes()
    assert declared == b"BagIt-Version: 1.0\nTag-File-Character-Encoding: UTF-8\n"


def test_payload_oxum(tmp_path: Path) -> None:
    """RFC 8493, 2.2.2: octets, a dot, number of payload files."""
    package = records.delivered(tmp_path)
    files = [path for path in (package / "data").rglob("*") if path.is_file()]
    oxum = f"Payload-Oxum: {sum(path.stat().st_size for path in files)}.{len(files)}\n"
    assert oxum in (package / "bag-info.txt").read_text()


def test_tag_manifests_list_no_tag_manifest_and_no_payload(tmp_path: Path) -> None:
    """RFC 8493, 2.2.1."""
    package = records.delivered(tmp_path)
    for name in ("sha256", "sha512"):
        listed = re.findall("  (.+)\n", (package / f"tagmanifest-{name}.txt").read_text())
        assert listed == [
            "bag-info.txt", "bagit.txt", "manifest-sha256.txt", "manifest-sha512.txt",
        ]  # fmt: skip


@pytest.mark.parametrize(
    ("path", "written"),
    [
        ("data/100%.wav", "data/100%25.wav"),
        ("data/a\nb", "data/a%0Ab"),
        ("data/a\rb\r\n", "data/a%0Db%0D%0A"),
        ("data/%0A", "data/%250A"),
        ("data/Café é.wav", "data/Café é.wav"),
    ],
)
def test_percent_encoding(path: str, written: str) -> None:
    """RFC 8493, 2.1.3: LF, CR, CRLF and % are encoded, and nothing else."""
    assert encode_path(path) == written
    assert decode_path(written) == path


def test_names_that_need_encoding_survive_delivery(tmp_path: Path) -> None:
    audio = {"takes/100% wet.wav": b"a", "takes/line\nbreak.wav": b"b", "takes/%0A.wav": b"c"}
    package = records.delivered(tmp_path, audio=audio)
    assert verify_package(package).is_whole
    text = (package / "manifest-sha256.txt").read_text()
    assert "data/takes/100%25 wet.wav\n" in text
    assert "data/takes/line%0Abreak.wav\n" in text


@pytest.mark.parametrize("other_umask", [0o000, 0o077])
def test_same_content_gives_the_same_bytes(
    tmp_path: Path, other_umask: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Umask, time zone, order of writing and place leave no trace, modes included."""
    one = records.delivered(tmp_path / "here")
    names = list(records.AUDIO)
    random.Random(3).shuffle(names)
    monkeypatch.setenv("TZ", "Pacific/Auckland")
    time.tzset()
    before = os.umask(other_umask)
    try:
        shuffled = {name: records.AUDIO[name] for name in reversed(names)}
        other = records.delivered(tmp_path / "elsewhere", audio=shuffled)
    finally:
        os.umask(before)
        monkeypatch.undo()
        time.tzset()
    assert tree(one) == tree(other)
    assert stat.S_IMODE(other.stat().st_mode) == 0o755


def test_only_the_bagging_date_differs_on_another_day(tmp_path: Path) -> None:
    one = tree(records.delivered(tmp_path / "one"))
    other = tree(records.delivered(tmp_path / "two", bagging_date="2026-03-02"))
    changed = {path for path in one if one[path] != other[path]}
    assert changed == {"bag-info.txt", "tagmanifest-sha256.txt", "tagmanifest-sha512.txt"}


@pytest.mark.parametrize(
    "value", ["Lantern\nPayload-Oxum: 0.0", "a\r\nb", "\x1b[2J wiped", "\u202ereversed"]
)
def test_values_stay_on_their_line(tmp_path: Path, value: str) -> None:
    package = records.delivered(tmp_path, bag_info=(("External-Description", value),))
    lines = (package / "bag-info.txt").read_text().splitlines()
    assert len(lines) == 7
    assert all(line.isprintable() for line in lines)
    assert bagit.Bag(str(package)).validate()


@pytest.mark.parametrize("label", ["Payload-Oxum", "Two words", "a:b", "", "Bad\nLabel"])
def test_labels_that_are_ours_or_malformed(tmp_path: Path, label: str) -> None:
    with pytest.raises(DeliveryError, match="label"), open_staging(tmp_path, "job") as staging:
        seal(staging, records.content(staging, bag_info=((label, "x"),)))


def test_a_date_that_is_none(tmp_path: Path) -> None:
    with pytest.raises(DeliveryError, match="YYYY-MM-DD"), open_staging(tmp_path, "job") as staging:
        seal(staging, records.content(staging, bagging_date="yesterday"))


def test_something_unplanned_is_never_sealed(tmp_path: Path) -> None:
    with open_staging(tmp_path, "job") as staging:
        content = records.content(staging)
        Path(staging.file_for("stems/stowaway.wav").path).write_bytes(b"?")
        with pytest.raises(DeliveryError, match="stowaway"):
            seal(staging, content)
    assert list(tmp_path.iterdir()) == []


def test_a_file_cut_short_after_writing_is_never_sealed(tmp_path: Path) -> None:
    with open_staging(tmp_path, "job") as staging:
        content = records.content(staging)
        Path(staging.file_for("stems/Bass.wav").path).write_bytes(b"RIFF")
        with pytest.raises(DeliveryError, match="Bass"):
            seal(staging, content)


def test_two_files_of_one_name(tmp_path: Path) -> None:
    with open_staging(tmp_path, "job") as staging:
        content = records.content(staging)
        twice = dataclasses.replace(content, files=(*content.files, content.files[0]))
        with pytest.raises(DeliveryError, match="two files"):
            seal(staging, twice)


def test_an_unsealed_package_is_not_published(tmp_path: Path) -> None:
    with open_staging(tmp_path, "job") as staging:
        records.content(staging)
        with pytest.raises(DeliveryError, match="sealed"):
            publish(staging, tmp_path, records.NAME)


def test_delivery_number_reads_back(tmp_path: Path) -> None:
    assert delivery_number(records.delivered(tmp_path, delivery=12)) == 12


@pytest.mark.parametrize("text", ["", "Delivery-Number: two\n", "Delivery-Number: 9999999999\n"])
def test_a_bag_without_delivery_number(tmp_path: Path, text: str) -> None:
    (tmp_path / "bag-info.txt").write_text(text)
    with pytest.raises(DeliveryError, match="no delivery number"):
        delivery_number(tmp_path)


def test_a_folder_without_bag_info(tmp_path: Path) -> None:
    with pytest.raises(DeliveryError, match="check the name"):
        delivery_number(tmp_path)
