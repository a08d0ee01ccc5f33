"""Publication: whole or not at all, whatever dies in between."""

from __future__ import annotations

import contextlib
import errno
import hashlib
import importlib
import os
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from stemprep.errors import DeliveryError
from stemprep.package import bag, open_staging, publish, replicate, verify_package
from tests.package import records
from tests.package.test_bag import tree

publish_module = importlib.import_module("stemprep.package.publish")


def tag_sha256(package: Path) -> str:
    return hashlib.sha256((package / "tagmanifest-sha256.txt").read_bytes()).hexdigest()


def test_published_says_where_and_what(tmp_path: Path) -> None:
    with records.sealed(tmp_path) as staging:
        published = publish(staging, tmp_path, records.NAME)
    assert published.path == str(tmp_path / records.NAME)
    assert published.tag_manifest_sha256 == staging.tag_manifest_sha256
    assert not published.already_there
    assert [path.name for path in tmp_path.iterdir()] == [records.NAME]


def test_already_delivered(tmp_path: Path) -> None:
    package = records.delivered(tmp_path)
    before = tree(package)
    with records.sealed(tmp_path, bagging_date="2027-01-01") as staging:
        published = publish(staging, tmp_path, records.NAME)
    assert published.already_there
    assert published.tag_manifest_sha256 == verify_package(package).tag_manifest_sha256
    assert tree(package) == before
    assert [path.name for path in tmp_path.iterdir()] == [records.NAME]


def put_other_package(final: Path) -> None:
    with records.sealed(final.parent, audio={"mix/Other.wav": b"RIFF"}) as staging:
        publish(staging, final.parent, final.name)


@pytest.mark.parametrize(
    "put",
    [
        lambda final: final.write_bytes(b"a file"),
        lambda final: final.mkdir(),
        lambda final: (final.mkdir(), (final / "song.wav").write_bytes(b"RIFF")),
        lambda final: final.symlink_to("/nowhere"),
        put_other_package,
    ],
    ids=["file", "empty-folder", "folder", "dangling-link", "other-package"],
)
def test_something_else_is_there(tmp_path: Path, put: Callable[[Path], object]) -> None:
    final = tmp_path / records.NAME
    put(final)
    before = tree(tmp_path)
    with (
        pytest.raises(DeliveryError, match=r"move or rename.*another destination.*next delivery"),
        records.sealed(tmp_path) as staging,
    ):
        publish(staging, tmp_path, records.NAME)
    assert tree(tmp_path) == before
    assert DeliveryError.exit_code == 5


def test_delivered_before_and_damaged_since(tmp_path: Path) -> None:
    package = records.delivered(tmp_path)
    (package / "data/stems/Bass.wav").write_bytes(b"RIFF noise")
    with (
        pytest.raises(DeliveryError, match=r"damaged there \(data/stems/Bass.wav\)"),
        records.sealed(tmp_path) as staging,
    ):
        publish(staging, tmp_path, records.NAME)


@pytest.mark.parametrize("name", ["", "a/b", "..", ".hidden", "/abs"])
def test_names_that_are_none(tmp_path: Path, name: str) -> None:
    with pytest.raises(DeliveryError, match="no name"), records.sealed(tmp_path) as staging:
        publish(staging, tmp_path, name)


def test_another_folder_than_staged(tmp_path: Path) -> None:
    with pytest.raises(DeliveryError, match="staged"), records.sealed(tmp_path / "a") as staging:
        publish(staging, tmp_path / "b", records.NAME)


@pytest.fixture
def no_exclusive_rename(monkeypatch: pytest.MonkeyPatch) -> None:
    """Take renameat2 away, as on systems whose C library lacks it."""
    monkeypatch.setattr(publish_module.ctypes, "CDLL", lambda *_, **__: object())


@pytest.mark.usefixtures("no_exclusive_rename")
@pytest.mark.parametrize("is_seen", [True, False])
def test_without_exclusive_rename_nothing_is_overwritten(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, is_seen: bool
) -> None:
    """POSIX, rename(): a directory is not renamed over one that is not empty."""
    final = tmp_path / records.NAME
    final.mkdir()
    (final / "song.wav").write_bytes(b"RIFF")
    with records.sealed(tmp_path) as staging:
        if not is_seen:  # it came between looking and renaming
            monkeypatch.setattr(os.path, "lexists", lambda _: False)
        with pytest.raises(DeliveryError, match="something else"):
            publish(staging, tmp_path, records.NAME)
    assert tree(final) == {"song.wav": tree(final)["song.wav"]}


@pytest.mark.usefixtures("no_exclusive_rename")
def test_without_exclusive_rename_it_is_published(tmp_path: Path) -> None:
    assert verify_package(records.delivered(tmp_path)).is_whole


def test_rename_refused(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def refuse(source: str, target: str, **_: int) -> None:
        raise OSError(errno.EROFS, os.strerror(errno.EROFS))

    monkeypatch.setattr(publish_module, "rename_exclusively", refuse)
    with pytest.raises(DeliveryError, match="read-only"), records.sealed(tmp_path) as staging:
        publish(staging, tmp_path, records.NAME)
    assert list(tmp_path.iterdir()) == []


def test_the_disk_does_not_confirm_the_name(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    with records.sealed(tmp_path) as staging:

        def refuse(descriptor: int) -> None:
            raise OSError(errno.EIO, os.strerror(errno.EIO))

        monkeypatch.setattr(os, "fsync", refuse)
        with pytest.raises(DeliveryError, match="did not confirm"):
            publish(staging, tmp_path, records.NAME)
    monkeypatch.undo()
    assert verify_package(tmp_path / records.NAME).is_whole


# --- power failure at every step


class DyingAt:
    """Counts the calls that change the disk and ends the process before the given one."""

    def __init__(self, step: int) -> None:
        self.left = step

    def watch(self, function: Callable[..., Any]) -> Callable[..., Any]:
        def watched(*arguments: Any, **named: Any) -> Any:
            if self.left == 0:
                os._exit(9)
            self.left -= 1
            return function(*arguments, **named)

        return watched


def deliver_and_die(destination: Path, step: int) -> bool:
    """Deliver in a child that dies before its step-th call; True when it got to the end."""
    child = os.fork()
    if child == 0:
        dying = DyingAt(step)
        for name in ("write", "fsync", "mkdir", "fchmod", "rmdir"):  # what changes the disk
            setattr(os, name, dying.watch(getattr(os, name)))
        publish_module.rename_exclusively = dying.watch(publish_module.rename_exclusively)
        bag.settle = dying.watch(bag.settle)
        with contextlib.suppress(BaseException):
            records.delivered(destination, audio={"mix/Lantern.wav": b"RIFF"})
            os._exit(0)
        os._exit(1)
    status = os.waitstatus_to_exitcode(os.waitpid(child, 0)[1])
    assert status in (0, 9)
    return status == 0


def test_killed_before_any_step_nothing_half_made_is_visible(tmp_path: Path) -> None:
    step, is_done, destination = 0, False, tmp_path
    final = destination / records.NAME
    states = []
    while not is_done:
        is_done = deliver_and_die(destination, step)
        visible = [path.name for path in destination.iterdir() if not path.name.startswith(".")]
        assert visible in ([], [records.NAME])
        states.append(bool(visible))
        if visible:
            assert verify_package(final).is_whole
            assert not final.with_name(".incoming-job").exists()
            final.rename(destination / ".seen")
            remove_tree(destination / ".seen")
        step += 1
    assert step > 40  # it really died that often
    assert states == sorted(states)  # once visible, visible
    assert verify_package(records.delivered(destination)).is_whole


def remove_tree(folder: Path) -> None:
    for path in sorted(folder.rglob("*"), reverse=True):
        path.rmdir() if path.is_dir() else path.unlink()
    folder.rmdir()


# --- second destination


def test_replica_is_the_same(tmp_path: Path) -> None:
    package = records.delivered(tmp_path / "one")
    replica = replicate(package, tmp_path / "two", "job", tag_sha256(package))
    assert tree(Path(replica.path)) == tree(package)
    assert replica.name == package.name
    assert replica.tag_manifest_sha256 == verify_package(package).tag_manifest_sha256
    again = replicate(package, tmp_path / "two", "job", tag_sha256(package))
    assert again.already_there


@pytest.mark.parametrize(
    "damage",
    [
        lambda package: (package / "data/mix/Lantern.wav").write_bytes(b"RIFF mux"),
        lambda package: (package / "data/mix/Lantern.wav").unlink(),
        lambda package: (package / "data/extra.wav").write_bytes(b""),
        lambda package: (package / "bag-info.txt").write_bytes(b"Bagging-Date: 1999-01-01\n"),
    ],
    ids=["changed", "missing", "extra", "tag"],
)
def test_no_replica_of_a_damaged_package(tmp_path: Path, damage: Callable[[Path], object]) -> None:
    package = records.delivered(tmp_path / "one")
    damage(package)
    with pytest.raises(DeliveryError, match="not whole"):
        replicate(package, tmp_path / "two", "job", tag_sha256(package))
    assert not (tmp_path / "two").exists()


def test_replica_where_something_else_lies(tmp_path: Path) -> None:
    package = records.delivered(tmp_path / "one")
    put_other_package(tmp_path / "two" / records.NAME)
    with pytest.raises(DeliveryError, match="something else"):
        replicate(package, tmp_path / "two", "job", tag_sha256(package))


def test_staging_is_free_again_after_publication(tmp_path: Path) -> None:
    records.delivered(tmp_path)
    with open_staging(tmp_path, "job") as staging:
        assert staging.root.is_dir()


def test_another_package_than_was_sealed_is_not_copied(tmp_path: Path) -> None:
    """Whole by its own lists, and put there by somebody else."""
    with records.sealed(tmp_path) as staging:
        package = Path(publish(staging, tmp_path, records.NAME).path)
    with pytest.raises(DeliveryError, match="another package"):
        replicate(package, tmp_path / "two", "job", "0" * 64)
    assert not list((tmp_path / "two").glob("[!.]*"))
