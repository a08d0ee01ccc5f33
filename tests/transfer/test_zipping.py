"""Zips of packages: what tools of others see in them, and zips that want to do harm."""

from __future__ import annotations

import io
import shutil
import struct
import subprocess
import zipfile
from collections.abc import Callable
from pathlib import Path

import pytest

from stemprep.errors import DeliveryError
from stemprep.transfer import opened_zip, write_zip, zipped_size, zipping

FILES = {"data/b.wav": b"b" * 5000, "data/Ré ü.wav": b"r" * 7, "bagit.txt": b"x", "data/a": b""}


@pytest.fixture
def zipped(tmp_path: Path) -> Path:
    return make(tmp_path)


def make(tmp_path: Path) -> Path:
    for path, content in FILES.items():
        (tmp_path / "in" / path).parent.mkdir(parents=True, exist_ok=True)
        (tmp_path / "in" / path).write_bytes(content)
    target = tmp_path / "lantern.zip"
    with target.open("xb") as stream:
        write_zip([(path, tmp_path / "in" / path) for path in FILES], stream, "lantern_01")
    return target


def test_names_are_utf_8_and_sorted(zipped: Path) -> None:
    """APPNOTE.TXT 6.3, 4.4.4: bit 11 says that a name is UTF-8."""
    with zipfile.ZipFile(zipped) as archive:
        names = [info.filename for info in archive.infolist()]
        assert names == sorted((f"lantern_01/{path}" for path in FILES), key=str.encode)
        accented = archive.getinfo("lantern_01/data/Ré ü.wav")
        assert accented.flag_bits & 0x800
        assert {info.external_attr >> 16 for info in archive.infolist()} == {0o100644}


def test_the_expected_size_is_an_upper_bound(zipped: Path) -> None:
    sizes = [(path, len(content)) for path, content in FILES.items()]
    size_bytes = zipped.stat().st_size
    assert size_bytes <= zipped_size(sizes, "lantern_01") <= size_bytes + 1000


@pytest.mark.parametrize("is_zip64", [False, True])
def test_other_tools_open_it(
    tmp_path: Path, is_zip64: bool, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Info-ZIP's unzip, and 7z and bsdtar where they are installed; with and without ZIP64."""
    if is_zip64:
        monkeypatch.setattr(zipping, "_ZIP64_BYTES", 0)
    path = make(tmp_path)
    tools = (["unzip", "-tq"], ["7z", "t"], ["7zz", "t"], ["bsdtar", "-tf"])
    found = [tool for tool in tools if shutil.which(tool[0])]
    if not found:
        pytest.skip("none of the tools is installed")
    for tool in found:
        done = subprocess.run([*tool, path], capture_output=True, check=False)
        assert done.returncode == 0, done.stdout + done.stderr


def test_reading(zipped: Path) -> None:
    with zipped.open("rb") as stream, opened_zip(stream, "lantern.zip") as package:
        assert package.top == "lantern_01"
        assert {item.path: item.size_bytes for item in package.entries()} == {
            path: len(content) for path, content in FILES.items()
        }
        assert package.read("data/b.wav", 5000) == FILES["data/b.wav"]
        with pytest.raises(OSError, match="larger than"):
            package.read("data/b.wav", 4999)


def compressed(stream: io.BytesIO) -> None:
    with zipfile.ZipFile(stream, "w", zipfile.ZIP_DEFLATED) as archive:
        archive.writestr("x/bomb", b"\0" * 10_000_000)


def encrypted(stream: io.BytesIO) -> None:
    with zipfile.ZipFile(stream, "w") as archive:
        archive.writestr("x/a", b"abc")
    content = bytearray(stream.getvalue())
    for mark, offset in ((b"PK\x03\x04", 6), (b"PK\x01\x02", 8)):
        content[content.index(mark) + offset] |= 1
    stream.seek(0)
    stream.write(content)


def overlapping(stream: io.BytesIO) -> None:
    """Two entries of the directory for one file: the second points at the first's bytes."""
    with zipfile.ZipFile(stream, "w") as archive:
        archive.writestr("x/a", b"a" * 1000)
        archive.writestr("x/b", b"b")
    content = bytearray(stream.getvalue())
    second = content.rindex(b"PK\x01\x02")
    content[second + 20 : second + 28] = struct.pack("<II", 1000, 1000)
    stream.seek(0)
    stream.write(content)


def twins(stream: io.BytesIO) -> None:
    with zipfile.ZipFile(stream, "w") as archive:
        archive.writestr("x/a", b"1")
        with pytest.warns(UserWarning, match="Duplicate"):
            archive.writestr("x/a", b"2")


@pytest.mark.parametrize(
    ("build", "told"),
    [
        (compressed, "is compressed"),
        (encrypted, "is encrypted"),
        (overlapping, "claims to hold more"),
        (twins, "two files of one name"),
        (lambda stream: stream.write(b"no zip at all"), "cannot be read as a zip"),
    ],
)
def test_hostile_zips_are_refused(build: Callable[[io.BytesIO], object], told: str) -> None:
    stream = io.BytesIO()
    build(stream)
    with pytest.raises(DeliveryError, match=told), opened_zip(stream, "sent.zip"):
        pass


def test_a_directory_of_gigabytes_is_not_read_into_memory(tmp_path: Path) -> None:
    """APPNOTE.TXT 6.3, 4.3.14 to 4.3.16: the records at the end say how large the directory is."""
    size_bytes = 3 << 30
    target = tmp_path / "x.zip"
    with target.open("wb") as stream:
        stream.truncate(size_bytes)  # sparse: it takes no room
        stream.seek(size_bytes)
        stream.write(struct.pack("<IQHHIIQQQQ", 0x06064B50, 44, 45, 45, 0, 0, 1, 1, size_bytes, 0))
        stream.write(struct.pack("<IIQI", 0x07064B50, 0, size_bytes, 1))
        stream.write(
            struct.pack("<IHHHHIIH", 0x06054B50, 0, 0, *[0xFFFF] * 2, *[(1 << 32) - 1] * 2, 0)
        )
    with (
        target.open("rb") as stream,
        pytest.raises(DeliveryError, match="directory claims more than"),
        opened_zip(stream, "x.zip"),
    ):
        pass


def test_an_entry_without_a_name_is_none_of_a_package(tmp_path: Path) -> None:
    target = tmp_path / "x.zip"
    with zipfile.ZipFile(target, "w") as archive:
        archive.writestr("a", b"")
    content = target.read_bytes()
    at = content.index(b"PK\1\2")
    # name of 0 bytes, and 1 byte of comment in its place
    odd = bytearray(content)
    struct.pack_into("<HHH", odd, at + 28, 0, 0, 1)
    target.write_bytes(bytes(odd))
    with target.open("rb") as stream, opened_zip(stream, "x.zip") as package:
        assert [entry.path for entry in package.entries()] == [""]
        with pytest.raises(OSError, match="damaged in the zip"):
            package.read("", 10)


def test_a_name_that_is_no_utf_8_is_damage(zipped: Path) -> None:
    """The name before the bytes of a file; the one in the directory stays as it was."""
    content = bytearray(zipped.read_bytes())
    at = content.index("Ré".encode())
    content[at + 1] = 0xFF
    zipped.write_bytes(bytes(content))
    with zipped.open("rb") as stream, opened_zip(stream, "x.zip") as package:
        path = next(entry.path for entry in package.entries() if "é" in entry.path)
        with pytest.raises(OSError, match="damaged in the zip"):
            package.hash(path, ("sha256",))
