"""Moving a delivered drop to the archive: not before all of it was seen to be what was delivered.

The drop is first renamed inside the inbox, so that nobody goes on copying into it unseen; then
everything in it is hashed and held against the inventory of the delivery. On the same disk it is
renamed once more. To another disk it is copied, proved there, and only then removed file by file.
Where it goes is in the store before it moves, so that this can be interrupted anywhere. Inbox and
archive are descriptors that were proved to be the places': a share that goes meanwhile never has
an original land in the folder below its mount.
"""

from __future__ import annotations

import errno
import os
import stat
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path

from stemprep.app.check.inspection import Inspection
from stemprep.app.output_files import write_whole
from stemprep.descending import FOLDER, descend
from stemprep.errors import DeliveryError
from stemprep.model.service import Inbox
from stemprep.package import (
    Staging,
    blocks_of,
    make_folders,
    open_staging,
    opened,
    opened_file,
    rename_exclusively,
    settle,
)
from stemprep.service.drop_content import (
    Inventory,
    inventory,
    inventory_text,
    known_hashes,
    read_inventory,
)
from stemprep.service.inbox.drop_names import LEAVING
from stemprep.service.jobs import Job, raw_text
from stemprep.service.places import OpenPlace, Places
from stemprep.service.result_files import is_there
from stemprep.service.store import Store

_COPIED_KINDS = ("folder", "link to ")


def keep_inventory(state: Path, job: Job, inspection: Inspection, inbox: int) -> None:
    """Write down what the drop holds, audio as the check pass read it. Raises OSError.

    inbox: descriptor of the folder that the drop lies in.
    """
    folder = _inventory_file(state, job).parent
    folder.mkdir(parents=True, exist_ok=True)
    found = inventory(inbox, raw_text(job.raw_name), known_hashes(inspection))
    write_whole(folder / "inventory.json", inventory_text(found))


def archive_drop(store: Store, job: Job, inbox: Inbox, places: Places) -> str:
    """Move the drop to the archive; return why it stays, "" where it has gone.

    To be called again after an interruption. Raises AwayError where inbox or archive is away, and
    OSError and DeliveryError for the machine's faults; the drop is then whole in the inbox, under
    its own name where that can be given back.
    """
    assert inbox.archive is not None, "the config holds this"
    if any(other.state not in ("published", "delivered") for other in store.siblings(job)):
        return ""  # the last of the drop's jobs moves it
    expected = read_inventory(_inventory_file(store.state, job).read_bytes())
    chosen = Path(raw_text(job.archived_as)) if job.archived_as else None
    archive = inbox.archive if chosen is None else chosen.parent
    with places.opened(inbox.path) as home, places.opened(archive) as shelf:
        target = _target(store, job, home, shelf) if chosen is None else chosen.name
        move = _Move(
            home=home,
            shelf=shelf,
            drop=raw_text(job.raw_name),
            leaving=f"{LEAVING}{job.job}",
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
            if move.is_not_begun():
                store.set_fields(job.job, archived_as=b"")


def _inventory_file(state: Path, job: Job) -> Path:
    return state / "results" / str(job.job) / "inventory.json"


def _target(store: Store, job: Job, home: OpenPlace, shelf: OpenPlace) -> str:
    """Choose a free name in the archive, the drop's own where that is free, and write it down."""
    own = raw_text(job.raw_name)
    stem, dot, ending = own.rpartition(".") if _is_file(home, own) else (own, "", "")
    target = own
    if is_there(shelf.descriptor, own):
        target = f"{stem or own}_{job.job}{dot}{ending}"
    store.set_fields(job.job, archived_as=os.fsencode(shelf.path / target))
    return target


def _is_file(home: OpenPlace, name: str) -> bool:
    try:
        return stat.S_ISREG(os.stat(name, dir_fd=home.descriptor).st_mode)
    except FileNotFoundError:
        return False


@dataclass(frozen=True, slots=True, kw_only=True)
class _Move:
    """One drop on its way; see ``archive_drop``.

    home, shelf: inbox and archive, opened and proved: every name below counts from them.
    """

    home: OpenPlace
    shelf: OpenPlace
    drop: str
    leaving: str
    target: str
    job: str
    expected: Inventory

    def carry_out(self) -> str:
        if not self._is_leaving():
            if not self._is_dropped():
                gone = "the drop is no longer in the inbox; it was not archived"
                return "" if self._is_archived() else gone
            if self._is_archived():
                return f"{self._shown}: something has this name in the archive; the drop stays"
            self._step(self.home, self.drop, self.home, self.leaving)
        if self._is_archived():  # copied before an interruption
            return self._remove_copied()
        if inventory(self.home.descriptor, self.leaving) != self.expected:
            return self._turn_back("it has changed since it was delivered")
        try:
            self._step(self.home, self.leaving, self.shelf, self.target)
        except PermissionError:  # to move another's folder takes the right to write into it
            return self._turn_back(self._not_allowed())
        except OSError as error:
            if error.errno != errno.EXDEV:
                raise
            return self._copy_and_remove()
        return ""

    def is_not_begun(self) -> bool:
        """Tell whether the drop has its name, and nothing of it lies in the archive."""
        try:
            return self._is_dropped() and not self._is_archived()
        except OSError:  # a share that gives no answer any more
            return False

    def give_name_back(self) -> None:
        """Leave nothing under a hidden name that nobody looks for; does what it can."""
        with suppress(OSError):
            if not self._is_archived():
                self._step(self.home, self.leaving, self.home, self.drop)

    @property
    def _shown(self) -> Path:
        return self.shelf.path / self.target

    def _is_leaving(self) -> bool:
        return is_there(self.home.descriptor, self.leaving)

    def _is_dropped(self) -> bool:
        return is_there(self.home.descriptor, self.drop)

    def _is_archived(self) -> bool:
        return is_there(self.shelf.descriptor, self.target)

    def _not_allowed(self) -> str:
        return (
            f"the system does not let the service move it to {self.shelf.path}; give the "
            "service's group the right to write into the drop and that folder, then move it by hand"
        )

    def _step(self, there: OpenPlace, source: str, here: OpenPlace, target: str) -> None:
        rename_exclusively(
            source, target, source_folder=there.descriptor, target_folder=here.descriptor
        )
        for descriptor in dict.fromkeys((here.descriptor, there.descriptor)):
            os.fsync(descriptor)

    def _turn_back(self, why: str) -> str:
        """Give the drop its name back; as a changed drop it will be found and delivered anew."""
        try:
            self._step(self.home, self.leaving, self.home, self.drop)
        except FileExistsError:
            return (
                f"{why}, and another drop has its name by now; it lies in {self.leaving} "
                "in the inbox: give it another name there"
            )
        return f"{why}; it stays in the inbox"

    def _copy_and_remove(self) -> str:
        others = [
            path
            for path, content in self.expected.items()
            if len(content) != 64 and not content.startswith(_COPIED_KINDS)
        ]
        if others:
            return self._turn_back(
                f"{others[0]!r} is neither file, folder nor link, or cannot be read, and the "
                "archive is on another disk"
            )
        folders = [path for path, content in self.expected.items() if content == "folder"]
        is_folder = "" not in self.expected
        if is_folder and not all(self._may_empty(path) for path in ("", *folders)):
            return self._turn_back(self._not_allowed())
        with open_staging(self.shelf.path, self.job, lambda _: os.dup(self.shelf.descriptor)) as it:
            if is_folder:
                self._copy_folder(it)
            else:
                self._copy_file(it, self.home.descriptor, self.leaving, "drop")
            settle(it)
            if inventory(it.descriptor, "drop") != self.expected:
                raise DeliveryError(
                    f"{self._shown}: the copy in the archive is not what was delivered; "
                    "check that disk; the drop stays"
                )
            rename_exclusively(
                "drop",
                self.target,
                source_folder=it.descriptor,
                target_folder=self.shelf.descriptor,
            )
            os.fsync(self.shelf.descriptor)
        return self._remove_copied()

    def _may_empty(self, path: str) -> bool:
        folder = f"{self.leaving}/{path}" if path else self.leaving
        return os.access(folder, os.W_OK | os.X_OK, dir_fd=self.home.descriptor)

    def _copy_folder(self, staging: Staging) -> None:
        make_folders(staging.descriptor, "drop")
        with opened(self.home.descriptor, self.leaving, FOLDER) as top:
            for path, content in sorted(self.expected.items()):
                if content == "folder":
                    make_folders(staging.descriptor, f"drop/{path}")
                elif content.startswith("link to "):
                    target = content.removeprefix("link to ")
                    os.symlink(target, f"drop/{path}", dir_fd=staging.descriptor)
                else:
                    self._copy_file(staging, top, path, f"drop/{path}")

    def _copy_file(self, staging: Staging, top: int, path: str, inside: str) -> None:
        with (
            opened_file(top, path) as descriptor,
            open(descriptor, "rb", closefd=False) as stream,
        ):
            staging.write_inside(inside, blocks_of(stream), os.fstat(descriptor).st_size)

    def _remove_copied(self) -> str:
        """Remove what is proved to lie in the archive, file by file, and nothing else."""
        if inventory(self.shelf.descriptor, self.target) != self.expected:
            return f"{self._shown}: is not what was delivered; the drop lies in {self.leaving}"
        home = self.home.descriptor
        left = inventory(home, self.leaving)
        if "" in self.expected:
            if left != self.expected:
                return f"{self.leaving} is not what was delivered; it stays in the inbox"
            os.unlink(self.leaving, dir_fd=home)
            os.fsync(home)
            return ""
        for path in sorted(left, key=lambda each: -each.count("/")):
            if left[path] != self.expected.get(path):
                return f"{path!r} in {self.leaving} was not delivered; it stays in the inbox"
        with opened(home, self.leaving, FOLDER) as top:
            for path in sorted(left, key=lambda each: (left[each] == "folder", -each.count("/"))):
                _remove(top, path, is_folder=left[path] == "folder")
        os.rmdir(self.leaving, dir_fd=home)
        os.fsync(home)
        return ""


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
