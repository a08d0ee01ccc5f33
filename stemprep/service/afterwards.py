"""Moving a delivered drop to the archive: not before all of it was seen to be what was delivered.

The drop is first renamed inside the inbox, so that nobody goes on copying into it unseen; then
everything in it is hashed and held against the inventory of the delivery. On the same disk it is
renamed once more. To another disk it is copied, proved there, and only then removed file by file.
Where it goes is in the store before it moves, so that this can be interrupted anywhere.
"""

from __future__ import annotations

import errno
import os
from collections.abc import Callable
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path

from stemprep.app.inspect import Inspection
from stemprep.descending import descend
from stemprep.errors import DeliveryError
from stemprep.model.service import Inbox
from stemprep.package import (
    blocks_of,
    open_staging,
    opened_file,
    opened_folder,
    rename_exclusively,
    settle,
)
from stemprep.service.drops import (
    Inventory,
    inventory,
    inventory_text,
    known_hashes,
    read_inventory,
)
from stemprep.service.jobs import Job, raw_text
from stemprep.service.names import LEAVING
from stemprep.service.papers import sync_folder, write_whole
from stemprep.service.store import Store

_COPIED_KINDS = ("folder", "link to ")


def keep_inventory(state: Path, job: Job, inspection: Inspection) -> None:
    """Write down what the drop holds, audio as the check pass read it. Raises OSError."""
    folder = _inventory_file(state, job).parent
    folder.mkdir(parents=True, exist_ok=True)
    found = inventory(job.drop, known_hashes(inspection))
    write_whole(folder / "inventory.json", inventory_text(found))


def archive_drop(store: Store, job: Job, inbox: Inbox) -> str:
    """Move the drop to the archive; return why it stays, "" where it has gone.

    To be called again after an interruption. Raises OSError and DeliveryError for the machine's
    faults; the drop is then whole in the inbox, under its own name where that can be given back.
    """
    assert inbox.archive is not None, "the config holds this"
    if any(other.state not in ("published", "delivered") for other in store.siblings(job)):
        return ""  # the last of the drop's jobs moves it
    expected = read_inventory(_inventory_file(store.state, job).read_bytes())
    target = Path(raw_text(job.archived_as)) if job.archived_as else _target(store, job, inbox)
    move = _Move(
        drop=job.drop,
        leaving=job.inbox / f"{LEAVING}{job.job}",
        target=target,
        job=f"{store.service_id}-{job.job}",
        expected=expected,
    )
    try:
        return move.carry_out()
    except (OSError, DeliveryError):
        move.give_name_back()
        raise
    finally:
        if os.path.lexists(job.drop) and not os.path.lexists(target):
            store.set_fields(job.job, archived_as=b"")


def _inventory_file(state: Path, job: Job) -> Path:
    return state / "results" / str(job.job) / "inventory.json"


def _target(store: Store, job: Job, inbox: Inbox) -> Path:
    """Choose a free name in the archive, the drop's own where that is free, and write it down."""
    assert inbox.archive is not None, "the config holds this"
    inbox.archive.mkdir(exist_ok=True)
    own = raw_text(job.raw_name)
    stem, dot, ending = own.rpartition(".") if job.drop.is_file() else (own, "", "")
    target = inbox.archive / own
    if os.path.lexists(target):
        target = inbox.archive / f"{stem or own}_{job.job}{dot}{ending}"
    store.set_fields(job.job, archived_as=os.fsencode(target))
    return target


@dataclass(frozen=True, slots=True, kw_only=True)
class _Move:
    """One drop on its way; see ``archive_drop``."""

    drop: Path
    leaving: Path
    target: Path
    job: str
    expected: Inventory

    def carry_out(self) -> str:
        if not os.path.lexists(self.leaving):
            if not os.path.lexists(self.drop):
                gone = "the drop is no longer in the inbox; it was not archived"
                return "" if os.path.lexists(self.target) else gone
            if os.path.lexists(self.target):
                return f"{self.target}: something has this name in the archive; the drop stays"
            self._step(self.drop, self.leaving)
        if os.path.lexists(self.target):  # copied before an interruption
            return self._remove_copied()
        if inventory(self.leaving) != self.expected:
            return self._turn_back("it has changed since it was delivered")
        try:
            self._step(self.leaving, self.target)
        except PermissionError:  # to move another's folder takes the right to write into it
            return self._turn_back(self._not_allowed())
        except OSError as error:
            if error.errno != errno.EXDEV:
                raise
            return self._copy_and_remove()
        return ""

    def _not_allowed(self) -> str:
        return (
            f"the system does not let the service move it to {self.target.parent}; give the "
            "service's group the right to write into the drop and that folder, then move it by hand"
        )

    def give_name_back(self) -> None:
        """Leave nothing under a hidden name that nobody looks for; does what it can."""
        if not os.path.lexists(self.target):
            with suppress(OSError):
                self._step(self.leaving, self.drop)

    def _step(self, source: Path, target: Path) -> None:
        rename_exclusively(source, target)
        for folder in dict.fromkeys((target.parent, source.parent)):
            sync_folder(folder)

    def _turn_back(self, why: str) -> str:
        """Give the drop its name back; as a changed drop it will be found and delivered anew."""
        try:
            self._step(self.leaving, self.drop)
        except FileExistsError:
            return (
                f"{why}, and another drop has its name by now; it lies in {self.leaving.name} "
                "in the inbox: give it another name there"
            )
        return f"{why}; it stays in the inbox"

    def _copy_and_remove(self) -> str:
        others = [
            path
            for path, told in self.expected.items()
            if len(told) != 64 and not told.startswith(_COPIED_KINDS)
        ]
        if others:
            return self._turn_back(
                f"{others[0]!r} is neither file, folder nor link, or cannot be read, and the "
                "archive is on another disk"
            )
        folders = [path for path, told in self.expected.items() if told == "folder"]
        if "" not in self.expected and not all(
            _may_empty(self.leaving / path) for path in ("", *folders)
        ):
            return self._turn_back(self._not_allowed())
        with open_staging(self.target.parent, self.job) as staging:
            if "" in self.expected:
                self._copy_file(
                    self.leaving.parent, self.leaving.name, "drop", staging.write_inside
                )
            else:
                self._copy_folder(staging.root / "drop", staging.write_inside)
            settle(staging)
            if inventory(staging.root / "drop") != self.expected:
                raise DeliveryError(
                    f"{self.target}: the copy in the archive is not what was delivered; "
                    "check that disk; the drop stays"
                )
            rename_exclusively(staging.root / "drop", self.target)
            sync_folder(self.target.parent)
        return self._remove_copied()

    def _copy_folder(self, there: Path, write: Callable[..., object]) -> None:
        there.mkdir()
        for path, told in sorted(self.expected.items()):
            if told == "folder":
                (there / path).mkdir(parents=True, exist_ok=True)
            elif told.startswith("link to "):
                (there / path).symlink_to(told.removeprefix("link to "))
            else:
                self._copy_file(self.leaving, path, f"drop/{path}", write)

    def _copy_file(self, top: Path, path: str, inside: str, write: Callable[..., object]) -> None:
        with (
            opened_folder(top, is_link_allowed=True) as folder,
            opened_file(folder, path) as descriptor,
            open(descriptor, "rb", closefd=False) as stream,
        ):
            write(inside, blocks_of(stream), os.fstat(descriptor).st_size)

    def _remove_copied(self) -> str:
        """Remove what is proved to lie in the archive, file by file, and nothing else."""
        if inventory(self.target) != self.expected:
            return f"{self.target}: is not what was delivered; the drop lies in {self.leaving.name}"
        left = inventory(self.leaving)
        if "" in self.expected:
            if left != self.expected:
                return f"{self.leaving.name} is not what was delivered; it stays in the inbox"
            self.leaving.unlink()
            sync_folder(self.leaving.parent)
            return ""
        for path in sorted(left, key=lambda each: -each.count("/")):
            if left[path] != self.expected.get(path):
                return f"{path!r} in {self.leaving.name} was not delivered; it stays in the inbox"
        with opened_folder(self.leaving) as top:
            for path in sorted(left, key=lambda each: (left[each] == "folder", -each.count("/"))):
                _remove(top, path, is_folder=left[path] == "folder")
        self.leaving.rmdir()
        sync_folder(self.leaving.parent)
        return ""


def _may_empty(folder: Path) -> bool:
    return os.access(folder, os.W_OK | os.X_OK)


def _remove(top: int, path: str, *, is_folder: bool) -> None:
    """Remove one entry below a folder; one that was exchanged for a link on the way ends it."""
    *way, name = path.split("/")
    folder = descend(top, way)
    try:
        if is_folder:
            os.rmdir(name, dir_fd=folder)
        else:
            os.unlink(name, dir_fd=folder)
    finally:
        os.close(folder)
