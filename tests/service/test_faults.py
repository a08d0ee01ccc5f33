"""A disk that refuses once, anywhere: the job is tried again, nothing half is seen or lost."""

from __future__ import annotations

import errno
import os
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import Any

import pytest

from stemprep.errors import DeliveryError
from stemprep.service import store
from stemprep.service.jobs import TRANSITIONS, Way
from stemprep.service.manage_jobs import retry_all
from stemprep.service.store import Store
from stemprep.work import write as work_write
from tests.service.dying import publish_module
from tests.service.faults import Fault, injected
from tests.service.studio import Studio, digests, hurry, measure_each_sound_once


@pytest.fixture(autouse=True)
def _hurry(monkeypatch: pytest.MonkeyPatch) -> None:
    hurry(monkeypatch)
    measure_each_sound_once(monkeypatch)


def require_delivered_after(fault: Fault, root: Path) -> None:
    """Nothing half is seen while the fault lasts, and then the drop is delivered."""
    studio = Studio.built(root)
    drop = studio.drop("Lantern", seconds=0.02)
    expected = digests(drop)
    with injected(fault), suppress(DeliveryError):  # the store itself, at the very start
        studio.run()
    studio.require_only_whole_packages()
    assert digests(drop) == expected
    if studio.states() != {"Lantern": "delivered"}:  # what cannot be done now is done next
        assert studio.run() == 0
    assert studio.states() == {"Lantern": "delivered"}
    assert studio.packages() == ["Lantern_mastering_01"]
    studio.require_only_whole_packages()
    assert not studio.staging()
    assert digests(drop) == expected


@pytest.mark.no_cover
def test_a_fault_at_every_write_fsync_and_commit(tmp_path: Path) -> None:
    number, is_met = 0, True
    while is_met:
        fault = Fault(errno.EIO, number=number)
        require_delivered_after(fault, tmp_path / str(number))
        number, is_met = number + 1, fault.is_met
    assert number > 70  # it really failed that often


@pytest.mark.parametrize(
    "code",
    [
        errno.ENOSPC,  # an outage: the job waits, and no attempt is counted
        pytest.param(errno.EACCES, marks=pytest.mark.no_cover),  # a drop may be the cause
    ],
    ids=errno.errorcode.get,
)
def test_other_faults_on_every_way_to_a_write_and_fsync(tmp_path: Path, code: int) -> None:
    """What errno says decides in the lines on the way: a commit has none, files are alike."""
    seen = Fault()
    require_delivered_after(seen, tmp_path / "seen")
    faults = [Fault(code, way=way) for way in seen.ways_of_errors()]
    for number, fault in enumerate(faults):
        require_delivered_after(fault, tmp_path / str(number))
    assert sum(fault.is_met for fault in faults) > 20


@contextmanager
def every_write_fails(code: int) -> Iterator[None]:
    def failing(*_: object) -> int:
        raise OSError(code, os.strerror(code))

    with pytest.MonkeyPatch.context() as patched:
        patched.setattr(work_write.HashedFile, "write", failing)
        yield


@pytest.mark.parametrize("code", [errno.ENOSPC, errno.EDQUOT, errno.EROFS, errno.ESTALE])
def test_an_outage_that_stays_counts_no_attempt(tmp_path: Path, code: int) -> None:
    """A full disk or a lost share ends some day: the job waits, tells why, and goes on alone."""
    studio = Studio.built(tmp_path)
    drop = studio.drop("Lantern", seconds=0.02)
    expected = digests(drop)
    with every_write_fails(code):
        for _ in range(5):
            assert studio.run() == 5
            (job,) = studio.jobs()
            assert (job.state, job.attempts) == ("waiting", 0)
            assert os.strerror(code) in job.reason
    assert studio.packages() == []
    assert not studio.staging()
    assert studio.run() == 0
    assert studio.states() == {"Lantern": "delivered"}
    assert digests(drop) == expected


def test_a_disk_that_stays_broken(tmp_path: Path) -> None:
    """The job is set aside after its attempts, tells why, and is done when a person wants it."""
    studio = Studio.built(tmp_path)
    drop = studio.drop("Lantern", seconds=0.02)
    expected = digests(drop)
    with every_write_fails(errno.EIO):
        assert studio.run() == 5
    (job,) = studio.jobs()
    assert (job.state, job.attempts) == ("set-aside", 3)
    assert "the disk reported a fault" in job.reason
    assert studio.packages() == []
    assert studio.run() == 0  # nothing new has failed
    assert studio.states() == {"Lantern": "set-aside"}
    with Store(studio.config.state, "write") as opened:
        assert retry_all(opened, ("set-aside",), 0.0) == ([1], [])
    assert studio.run() == 0
    assert studio.states() == {"Lantern": "delivered"}
    assert digests(drop) == expected


# --- the order of write, fsync, rename, fsync of the folder


class Recorder:
    """What was done to which path, in order."""

    def __init__(self) -> None:
        self.calls: list[tuple[str, str]] = []

    def add(self, what: str, path: object) -> None:
        self.calls.append((what, str(path)))

    def last(self, what: str, path: object) -> int:
        """Position of the last such call; -1 where there is none."""
        found = [n for n, call in enumerate(self.calls) if call == (what, str(path))]
        return found[-1] if found else -1


def path_of(descriptor: int) -> str:
    return str(Path(f"/proc/self/fd/{descriptor}").readlink())


@contextmanager
def recorded(monkeypatch: pytest.MonkeyPatch) -> Iterator[Recorder]:
    recorder = Recorder()
    write, fsync, rename = os.write, os.fsync, os.rename
    sound, final = work_write.HashedFile.write, publish_module.rename_exclusively
    move, fields = store.Store._move, store.Store.set_fields

    def on_write(descriptor: int, content: bytes) -> int:
        recorder.add("write", path_of(descriptor))
        return write(descriptor, content)

    def on_sound(self: Any, piece: bytes) -> int:
        recorder.add("write", path_of(self.fileno()))
        return int(sound(self, piece))

    def on_fsync(descriptor: int) -> None:
        fsync(descriptor)
        recorder.add("fsync", path_of(descriptor))

    def on_rename(source: str, target: str, **named: Any) -> None:
        rename(source, target, **named)
        recorder.add("rename", f"{path_of(named['dst_dir_fd'])}/{target}")

    def on_final(source: str, target: str, **named: int) -> None:
        final(source, target, **named)
        recorder.add("rename", f"{path_of(named['target_folder'])}/{target}")

    def on_move(self: Any, number: int, way: Way, /, *rest: Any, **named: Any) -> bool:
        recorder.add("commit", TRANSITIONS[way].after)
        return bool(move(self, number, way, *rest, **named))

    def on_fields(self: Any, number: int, /, **named: Any) -> None:
        fields(self, number, **named)
        recorder.add("commit", "sealed" if "tag_sha256" in named else "fields")

    with monkeypatch.context() as patched:
        patched.setattr(os, "write", on_write)
        patched.setattr(os, "fsync", on_fsync)
        patched.setattr(os, "rename", on_rename)
        patched.setattr(work_write.HashedFile, "write", on_sound)
        patched.setattr(publish_module, "rename_exclusively", on_final)
        patched.setattr(store.Store, "_move", on_move)
        patched.setattr(store.Store, "set_fields", on_fields)
        yield recorder


def test_the_order_of_write_fsync_rename_and_fsync_of_the_folder(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Principle: rename(2) and fsync(2); a name is on the disk when its folder is."""
    studio = Studio.built(tmp_path)
    studio.drop("Lantern", seconds=0.02)
    with recorded(monkeypatch) as done:
        assert studio.run() == 0
    final = studio.out / "Lantern_mastering_01"
    (staging,) = {
        Path(path.split("/data/")[0]) for what, path in done.calls if ".incoming-" in path
        and "/data/" in path
    }  # fmt: skip
    visible = done.last("rename", final)
    files = [path for path in final.rglob("*") if path.is_file()]
    assert len(files) > 10
    for path in files:
        staged = staging / path.relative_to(final)
        written, synced = done.last("write", staged), done.last("fsync", staged)
        assert 0 <= written < synced < visible, staged
    folders = [final, *(path for path in final.rglob("*") if path.is_dir())]
    for path in folders:
        staged = staging / path.relative_to(final)
        assert 0 <= done.last("fsync", staged) < visible, staged
    writes = [path for what, path in done.calls[:visible] if what == "write" and ".inc" in path]
    assert writes[-1].endswith("tagmanifest-sha256.txt")
    assert done.last("commit", "sealed") < visible
    assert visible < done.calls.index(("fsync", str(studio.out)), visible)
    assert done.calls.index(("fsync", str(studio.out)), visible) < done.last("commit", "published")
    for name in ("Lantern.receipt.html", "Lantern.receipt.txt"):
        hidden, seen = studio.inbox / f".{name}", done.last("rename", studio.inbox / name)
        assert 0 <= done.last("write", hidden) < done.last("fsync", hidden) < seen
        assert seen < done.calls.index(("fsync", str(studio.inbox)), seen)
        assert done.calls.index(("fsync", str(studio.inbox)), seen) < done.last(
            "commit", "delivered"
        )
