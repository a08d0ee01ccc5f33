"""Staging: safe paths, fixed modes, hashing while copying, and disks that refuse."""

from __future__ import annotations

import errno
import hashlib
import io
import os
import re
import stat
from collections.abc import Callable
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from stemprep.errors import DeliveryError
from stemprep.package import Staging, open_staging
from stemprep.package.payload_path import checked_payload_path, decode_path, encode_path
from stemprep.units import size_in_words
from tests.package import records


@pytest.mark.parametrize(
    "path", ["", "/etc/passwd", "../up.wav", "a/../../b", "a//b", "a/.", "a\0b"]
)
def test_paths_that_leave_the_payload(tmp_path: Path, path: str) -> None:
    with open_staging(tmp_path, "job") as staging:
        with pytest.raises(DeliveryError, match="another name"):
            staging.file_for(path)
        with pytest.raises(DeliveryError, match="another name"):
            staging.add_bytes(path, b"")


def test_a_name_that_is_not_utf_8(tmp_path: Path) -> None:
    name = b"caf\xe9.wav".decode("utf-8", "surrogateescape")
    with open_staging(tmp_path, "job") as staging, pytest.raises(DeliveryError, match="UTF-8"):
        staging.file_for(name)


@given(st.text(max_size=30))
def test_any_path_is_kept_inside_or_refused(path: str) -> None:
    try:
        checked = checked_payload_path(path)
    except DeliveryError:
        return
    inside = os.path.normpath(f"/package/data/{checked}")
    assert inside == f"/package/data/{path}"
    assert decode_path(encode_path(path)) == path


def test_a_link_inside_staging_is_not_followed(tmp_path: Path) -> None:
    outside = tmp_path / "outside"
    outside.mkdir()
    with open_staging(tmp_path / "to", "job") as staging:
        (staging.root / "data").symlink_to(outside)
        with pytest.raises(DeliveryError):
            staging.add_bytes("stems/a.wav", b"a")
    assert list(outside.iterdir()) == []


def test_nobody_else_may_look_while_it_grows(tmp_path: Path) -> None:
    before = os.umask(0)
    try:
        with open_staging(tmp_path, "job") as staging:
            document = staging.add_bytes("report/qc-report.txt", b"pass")
            folder = Path(staging.file_for("stems/a.wav").path).parent
            assert stat.S_IMODE(staging.root.stat().st_mode) == 0o700
            assert stat.S_IMODE(folder.stat().st_mode) == 0o700
            assert stat.S_IMODE(Path(document.staged).stat().st_mode) == 0o600
    finally:
        os.umask(before)


def test_add_file_hashes_what_it_copies(tmp_path: Path) -> None:
    """sha256 and sha512 (FIPS 180-4) as the standard library computes them at once."""
    data = os.urandom(3 * (1 << 20) + 17)
    source = tmp_path / "notes.pdf"
    source.write_bytes(data)
    with open_staging(tmp_path / "to", "job") as staging:
        document = staging.add_file("documents/notes.pdf", source, source_name="Notes/notes.pdf")
        assert document.sha256 == hashlib.sha256(data).hexdigest()
        assert document.sha512 == hashlib.sha512(data).hexdigest()
        assert document.size_bytes == len(data)
        assert document.source == "Notes/notes.pdf"
        assert Path(document.staged).read_bytes() == data
    assert source.read_bytes() == data


def test_a_source_that_changed_since_it_was_checked(tmp_path: Path) -> None:
    source = tmp_path / "notes.txt"
    source.write_bytes(b"new")
    old = hashlib.sha256(b"old").hexdigest()
    with (
        open_staging(tmp_path / "to", "job") as staging,
        source.open("rb") as stream,
        pytest.raises(DeliveryError, match="changed while"),
    ):
        staging.add_file("documents/notes.txt", stream, expected_sha256=old)


@pytest.mark.parametrize("kind", ["link", "fifo", "folder", "missing"])
def test_a_source_that_is_no_file(tmp_path: Path, kind: str) -> None:
    source = tmp_path / "source"
    {
        "link": lambda: source.symlink_to("/etc/hostname"),
        "fifo": lambda: os.mkfifo(source),
        "folder": source.mkdir,
        "missing": lambda: None,
    }[kind]()
    with open_staging(tmp_path / "to", "job") as staging, pytest.raises(DeliveryError):
        staging.add_file("documents/a.txt", source)


def test_a_second_file_of_one_name(tmp_path: Path) -> None:
    with open_staging(tmp_path, "job") as staging:
        staging.add_bytes("report/a.txt", b"first")
        with pytest.raises(DeliveryError, match="same name"):
            staging.add_bytes("report/a.txt", b"second")


def fail_with(number: int) -> Callable[..., Any]:
    def fail(*_: object, **__: object) -> Any:
        raise OSError(number, os.strerror(number))

    return fail


@pytest.mark.parametrize(
    ("call", "number", "advice"),
    [
        ("write", errno.ENOSPC, "free space"),
        ("write", errno.EDQUOT, "quota"),
        ("write", errno.EIO, "cable"),
        ("fsync", errno.EIO, "cable"),
        ("fsync", errno.ENOSPC, "free space"),
        ("mkdir", errno.EROFS, "read-only"),
        ("mkdir", errno.EACCES, "permission"),
        ("readv", errno.EIO, "cable"),
    ],
)
def test_a_disk_that_refuses_leaves_nothing(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, call: str, number: int, advice: str
) -> None:
    with open_staging(tmp_path, "job") as staging:
        monkeypatch.setattr(os, call, fail_with(number))
        with pytest.raises(DeliveryError, match=f"{advice}.*nothing was published"):
            staging.add_bytes("report/a.txt", b"pass")
    monkeypatch.undo()
    assert list(tmp_path.iterdir()) == []


def test_short_writes_are_continued(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    write = os.write
    monkeypatch.setattr(os, "write", lambda file, data: write(file, bytes(data)[:7]))
    with open_staging(tmp_path, "job") as staging:
        document = staging.add_bytes("a.txt", b"fifteen letters")
        assert Path(document.staged).read_bytes() == b"fifteen letters"


def test_a_disk_that_gives_back_something_else(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    write = os.write
    monkeypatch.setattr(
        os, "write", lambda file, data: write(file, bytes(data).replace(b"a", b"e"))
    )
    with open_staging(tmp_path, "job") as staging, pytest.raises(DeliveryError, match="read back"):
        staging.add_bytes("a.txt", b"pass")


def test_too_little_room_is_told_before_writing(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    disk = SimpleNamespace(f_bavail=10, f_frsize=4096, f_blocks=1000)
    with open_staging(tmp_path, "job") as staging:
        monkeypatch.setattr(os, "statvfs", lambda _: disk)
        monkeypatch.setattr(os, "write", fail_with(errno.EIO))
        with pytest.raises(DeliveryError, match=r"50 kB needed, 41 kB free"):
            staging.add_bytes("a.txt", bytes(50_000))


def test_a_delivery_under_way_is_left_alone(tmp_path: Path) -> None:
    with open_staging(tmp_path, "job") as first:
        kept = Path(first.add_bytes("a.txt", b"a").staged)
        with pytest.raises(DeliveryError, match="under way"):
            open_staging(tmp_path, "job")
        assert kept.read_bytes() == b"a"
        with open_staging(tmp_path, "other-job") as second:
            assert second.root != first.root


def test_what_a_dead_process_left_is_cleared(tmp_path: Path) -> None:
    outside = tmp_path / "outside"
    outside.mkdir()
    (outside / "precious.wav").write_bytes(b"take 1")
    left = tmp_path / "to/.incoming-job"
    (left / "data/stems").mkdir(parents=True)
    (left / "data/stems/half.wav").write_bytes(b"RI")
    (left / "data/link").symlink_to(outside)
    with open_staging(tmp_path / "to", "job") as staging:
        assert list(staging.root.iterdir()) == []
    assert (outside / "precious.wav").read_bytes() == b"take 1"


def test_a_link_in_place_of_the_staging_folder(tmp_path: Path) -> None:
    outside = tmp_path / "outside"
    outside.mkdir()
    (outside / "precious.wav").write_bytes(b"take 1")
    (tmp_path / ".incoming-job").symlink_to(outside)
    with pytest.raises(DeliveryError):
        open_staging(tmp_path, "job")
    assert (outside / "precious.wav").exists()


def test_a_destination_we_made_goes_again(tmp_path: Path) -> None:
    with open_staging(tmp_path / "new", "job"):
        assert (tmp_path / "new").is_dir()
    assert not (tmp_path / "new").exists()


def test_a_destination_without_parent(tmp_path: Path) -> None:
    with pytest.raises(DeliveryError, match="connect the disk"):
        open_staging(tmp_path / "not/there", "job")


def test_a_destination_that_is_a_file(tmp_path: Path) -> None:
    (tmp_path / "file").write_bytes(b"")
    with pytest.raises(DeliveryError, match="is a file"):
        open_staging(tmp_path / "file", "job")


@pytest.mark.skipif(os.geteuid() == 0, reason="root may write anywhere")
def test_a_destination_that_cannot_be_written(tmp_path: Path) -> None:
    tmp_path.chmod(0o500)
    with pytest.raises(DeliveryError, match="permission"):
        open_staging(tmp_path, "job")


@pytest.mark.parametrize("job", ["", "../x", "a/b", "..", "-rf", "x" * 300, "Läuten", "a\0b"])
def test_any_job_name_stays_inside_the_destination(tmp_path: Path, job: str) -> None:
    with open_staging(tmp_path / "to", job) as staging:
        assert staging.root.parent == tmp_path / "to"
        assert re.fullmatch(r"\.incoming-[A-Za-z0-9._-]+", staging.root.name)
        with pytest.raises(DeliveryError, match="under way"):
            open_staging(tmp_path / "to", job)


def test_an_error_inside_removes_only_staging(tmp_path: Path) -> None:
    (tmp_path / "other.txt").write_bytes(b"mine")

    def deliver() -> Staging:
        with open_staging(tmp_path, "job") as staging:
            records.content(staging)
            raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        deliver()
    assert [path.name for path in tmp_path.iterdir()] == ["other.txt"]


@pytest.mark.parametrize(
    ("size_bytes", "words"),
    [(0, "0 bytes"), (999, "999 bytes"), (1000, "1 kB"), (1_254_000_000, "1.25 GB"),
     (999_600, "1 MB"), (5_000_000_000_000, "5 TB")],
)  # fmt: skip
def test_sizes_in_words(size_bytes: int, words: str) -> None:
    assert size_in_words(size_bytes) == words


class _WrittenTo(io.BufferedReader):
    """A file that somebody writes to whenever it is read."""

    def __init__(self, path: Path, change: Callable[[Path], object]) -> None:
        super().__init__(io.FileIO(path))
        self._path = path
        self._change = change

    def read(self, size: int | None = -1, /) -> bytes:
        piece = super().read(size)
        self._change(self._path)
        return piece


def _grow(path: Path) -> None:
    with path.open("ab") as stream:
        stream.write(bytes(3 << 20))


def _touch_up(path: Path) -> None:
    path.write_bytes(b"another text")
    os.utime(path, ns=(1, 1))


@pytest.mark.parametrize("change", [_grow, _touch_up])
def test_a_document_that_changes_while_it_is_copied(
    tmp_path: Path, change: Callable[[Path], object]
) -> None:
    """One that grows faster than it is read would be copied for ever."""
    source = tmp_path / "notes.txt"
    source.write_bytes(b"the old text")
    with (
        open_staging(tmp_path / "to", "job") as staging,
        _WrittenTo(source, change) as stream,
        pytest.raises(DeliveryError, match="changed while it was being delivered"),
    ):
        staging.add_file("documents/notes.txt", stream)


@pytest.mark.parametrize("path", ["~take.wav", "C:take.wav", "~root/x.wav"])
def test_names_that_only_look_absolute(tmp_path: Path, path: str) -> None:
    """An archive keeps every name that a person gave; below the payload these are names."""
    with open_staging(tmp_path, "job") as staging:
        document = staging.add_bytes(path, b"RIFF")
        assert Path(document.staged) == staging.root / "data" / path
