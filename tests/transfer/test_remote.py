"""What stores answer, and what they may not make us do."""

from __future__ import annotations

import os
import shutil
from pathlib import Path
from types import SimpleNamespace

import paramiko
import pytest

from stemprep.app.packages.shelf import check_shelf
from stemprep.app.packages.verify import verify
from stemprep.engine import InlineEngine
from stemprep.errors import DeliveryError
from stemprep.transfer import Address, limits_of_remote, opened_remote, parse_place
from stemprep.transfer.sftp import SftpRemote
from tests.package import records
from tests.transfer.servers import SftpHost


def place(host: SftpHost, path: str) -> Address:
    address = parse_place(host.address(path))
    assert isinstance(address, Address)
    return address


@pytest.fixture
def package(sftp: SftpHost, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A package on the host, copied there by other means."""
    for name, value in sftp.environment.items():
        monkeypatch.setenv(name, value)
    target = sftp.root / tmp_path.name / "lantern_01"
    shutil.copytree(records.delivered(tmp_path / "here"), target)
    return target


def test_a_package_brought_there_by_other_means_is_whole(package: Path, sftp: SftpHost) -> None:
    (proof,) = verify([place(sftp, str(package.relative_to(sftp.root)))])
    assert (proof.is_whole, proof.is_complete) == (True, True)


@pytest.mark.parametrize("is_dangling", [False, True])
def test_links_on_a_host_are_not_followed(
    package: Path, sftp: SftpHost, tmp_path: Path, is_dangling: bool
) -> None:
    victim = package / "data/stems/Bass.wav"
    elsewhere = tmp_path / "same.wav"
    shutil.move(victim, elsewhere)
    victim.symlink_to(tmp_path / "nothing" if is_dangling else elsewhere)
    (proof,) = verify([place(sftp, str(package.relative_to(sftp.root)))])
    (damage,) = proof.damages
    assert damage.path == "data/stems/Bass.wav"
    assert "is a link, not a file; it was not opened" in damage.message


def test_a_loop_of_links_ends(package: Path, sftp: SftpHost) -> None:
    (package / "data" / "again").symlink_to(package)
    (proof,) = verify([place(sftp, str(package.relative_to(sftp.root)))])
    assert [damage.path for damage in proof.damages] == ["data/again"]


def test_a_pipe_on_a_host_is_not_opened(package: Path, sftp: SftpHost) -> None:
    os.mkfifo(package / "data" / "pipe")
    (proof,) = verify([place(sftp, str(package.relative_to(sftp.root)))])
    assert [(damage.path, damage.kind) for damage in proof.damages] == [("data/pipe", "extra")]


def test_what_is_too_large_is_not_read(package: Path, sftp: SftpHost) -> None:
    address = place(sftp, str(package.relative_to(sftp.root)))
    with opened_remote(address) as remote, pytest.raises(OSError, match="larger than 10 bytes"):
        remote.read(f"{address.path}/bagit.txt", 10)


def test_an_empty_place_is_told(sftp: SftpHost, package: Path) -> None:
    with pytest.raises(DeliveryError, match="nothing lies there"):
        verify([place(sftp, "no such folder")])


def test_room_on_a_host_is_asked_where_it_can_tell() -> None:
    """OpenSSH, PROTOCOL, 4.4: statvfs@openssh.com answers with 11 numbers of 64 bits."""
    answer = paramiko.Message()
    for number in (4096, 1024, 9_000, 5_000, 3_000, 0, 0, 0, 0, 0, 255):
        answer.add_int64(number)
    answer.rewind()
    asked: list[object] = []

    def request(*question: object) -> tuple[int, paramiko.Message]:
        asked.extend(question)
        return 201, answer

    telling = SimpleNamespace(ftp=SimpleNamespace(_request=request))
    address = Address(kind="sftp", host="ferry", path="/out")
    assert limits_of_remote(SftpRemote(address, telling)).free_bytes == 1024 * 3_000
    assert asked == [200, "statvfs@openssh.com", "/out"]

    def refuse(*_: object) -> object:
        raise OSError("Operation unsupported")

    silent = SimpleNamespace(ftp=SimpleNamespace(_request=refuse))
    assert limits_of_remote(SftpRemote(address, silent)).free_bytes is None


def test_a_shelf_has_its_second_copy_on_a_host(
    sftp: SftpHost, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    for name, value in sftp.environment.items():
        monkeypatch.setenv(name, value)
    shelf = tmp_path / "shelf"
    shelf.mkdir()
    for name in ("lantern_1", "lantern_2", "lantern_3"):
        records.delivered(shelf, name)
    there = sftp.root / f"shelf-{tmp_path.name}"
    shutil.copytree(shelf, there)
    (there / "2025").mkdir()
    second = place(sftp, there.name)
    assert check_shelf(shelf, copies=[second], engine=InlineEngine()).is_proved
    shutil.rmtree(there / "lantern_2")
    (there / "lantern_3" / "data/stems/Bass.wav").write_bytes(b"RIFF other")
    records.delivered(there / "2025", "only_there")
    check = check_shelf(shelf, copies=[second], engine=InlineEngine())
    states = [copy.state for entry in check.entries for copy in entry.copies]
    assert states == ["same", "missing", "damaged"]
    assert [only.name for only in check.only_copies] == ["2025/only_there"]
    (mended,) = check.entries[2].copies
    assert (mended.mend, mended.mend_commands) == (("data/stems/Bass.wav",), ())
    silent = parse_place("sftp://localhost:1/out")
    with pytest.raises(DeliveryError, match="connecting failed"):
        check_shelf(shelf, copies=[silent], engine=InlineEngine())
