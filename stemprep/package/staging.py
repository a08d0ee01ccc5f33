"""Where a package grows before anybody can see it: ``DEST/.incoming-<job>``.

Who holds a staging folder has it locked. One that exists and is not locked was left by a process
that died; it is emptied and used again. One that is locked belongs to a delivery under way.
"""

from __future__ import annotations

import errno
import fcntl
import hashlib
import os
import re
import secrets
from collections.abc import Callable, Iterable
from contextlib import suppress
from pathlib import Path
from types import TracebackType
from typing import BinaryIO, Self

from stemprep.errors import DeliveryError
from stemprep.model.package import StagedDocument
from stemprep.package.copying import Digests, blocks_of, write_verified
from stemprep.package.descriptors import (
    empty_folder,
    make_folders,
    opened,
    opened_file,
    opened_folder,
)
from stemprep.package.faults import require_space, told_as_delivery_error
from stemprep.package.payload_path import PAYLOAD, checked_payload_path
from stemprep.package.staged_file import StagedFile, replaced

_HIDDEN = ".incoming-"
_NEW_FILE = os.O_RDWR | os.O_CREAT | os.O_EXCL
_PLACE = os.O_RDONLY | os.O_DIRECTORY | os.O_CLOEXEC

OpenFolder = Callable[[Path], int]
"""Opens a destination for whoever closes the descriptor, or raises; it is then never made."""


class Staging:
    """A staging folder; as a context manager it is removed again unless it was published.

    destination: the folder that the package will lie in; root: the staging folder itself.
    folder: descriptor of the destination, from before the staging folder was made: the package
            gets its name there, whatever the path leads to by then.
    tag_manifest_sha256: set once the package is sealed; "" before.
    """

    def __init__(
        self, destination: Path, root: Path, folder: int, descriptor: int, is_destination_ours: bool
    ) -> None:
        self.destination = destination
        self.root = root
        self.folder = folder
        self.tag_manifest_sha256 = ""
        self._descriptor = descriptor
        self._is_destination_ours = is_destination_ours
        self._is_open = True

    @property
    def descriptor(self) -> int:
        """Descriptor of the staging folder, valid while it is open."""
        return self._descriptor

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self.discard()

    def file_for(self, payload_path: str) -> StagedFile:
        """Return where a payload file is to be made; its folders exist afterwards.

        payload_path is relative to the payload (``data/``), ``/`` between parts. Raises
        DeliveryError for ``..``, absolute paths and folders that cannot be made.
        """
        inside = f"{PAYLOAD}/{checked_payload_path(payload_path)}"
        self._make_parents(inside)
        return StagedFile.below(self._descriptor, self.root, inside)

    def require_place(self, name: str | None = None) -> None:
        """Raise DeliveryError where something else has the folder's name by now.

        name: another name that it was given in the destination.
        """
        if not _is_still_there(self.folder, name or self.root.name, self._descriptor):
            raise replaced(self.root)

    def _make_parents(self, inside: str) -> None:
        folders = inside.rpartition("/")[0]
        if folders:
            with told_as_delivery_error("making its folder", self.root / inside):
                make_folders(self._descriptor, folders)

    def add_bytes(self, payload_path: str, content: bytes) -> StagedDocument:
        """Write a document of ours into the payload, fsynced and read back."""
        return self._add(payload_path, [content], size_bytes=len(content), source=None)

    def add_file(
        self,
        payload_path: str,
        source: Path | BinaryIO,
        *,
        source_name: str | None = None,
        expected_sha256: str | None = None,
    ) -> StagedDocument:
        """Copy a file into the payload: hashed in the same read, fsynced, read back.

        source: a path (regular files only, links refused) or a stream at the file's start.
        source_name: the dropped path, kept in the record. Raises DeliveryError when the disk
        refuses, or when the source is no longer what was hashed before.
        """
        if isinstance(source, Path):
            with told_as_delivery_error("reading it", source):
                stream = _open_source(source)
            with stream:
                return self.add_file(
                    payload_path, stream, source_name=source_name, expected_sha256=expected_sha256
                )
        before = os.fstat(source.fileno())
        blocks = blocks_of(source, at_most=before.st_size + 1)
        document = self._add(payload_path, blocks, before.st_size, source_name)
        is_still = _state(before) == _state(os.fstat(source.fileno()))
        if not is_still or expected_sha256 not in (None, document.sha256):
            raise DeliveryError(
                f"{source_name or payload_path}: changed while it was being delivered; "
                "wait until the drop stands still and deliver again; nothing was published"
            )
        return document

    def _add(
        self, payload_path: str, blocks: Iterable[bytes], size_bytes: int, source: str | None
    ) -> StagedDocument:
        inside = f"{PAYLOAD}/{checked_payload_path(payload_path)}"
        digests = self.write_inside(inside, blocks, size_bytes)
        return StagedDocument(
            path=payload_path,
            staged=str(self.root / inside),
            sha256=digests.by_algorithm["sha256"],
            sha512=digests.by_algorithm["sha512"],
            size_bytes=digests.size_bytes,
            source=source,
        )

    def write_inside(self, inside: str, blocks: Iterable[bytes], size_bytes: int) -> Digests:
        """Write a new file at a path relative to the package, fsynced and read back.

        size_bytes: how much is to come, so that a disk without room is told before writing.
        """
        require_space(self.destination, size_bytes)
        self._make_parents(inside)
        with (
            told_as_delivery_error("writing it", self.root / inside),
            opened(self._descriptor, inside, _NEW_FILE) as descriptor,
        ):
            return write_verified(descriptor, blocks, str(self.root / inside))

    def release(self) -> None:
        """Let go of the folder without removing it: it has been published."""
        if self._is_open:
            self._is_open = False
            with suppress(OSError):  # a share without locks
                # By hand: a worker forked meanwhile shares the lock and would keep it.
                fcntl.flock(self._descriptor, fcntl.LOCK_UN)
            os.close(self._descriptor)
            os.close(self.folder)

    def discard(self) -> None:
        """Remove the folder and all in it; after publication, nothing.

        What cannot be removed stays under its hidden name, for the next delivery to clear.
        """
        if not self._is_open:
            return
        with suppress(OSError):  # the error that brought us here matters more
            empty_folder(self._descriptor)
            os.rmdir(self.root.name, dir_fd=self.folder)
            if self._is_destination_ours:
                self.destination.rmdir()
        self.release()


def open_staging(destination: Path, job: str, open_folder: OpenFolder | None = None) -> Staging:
    """Make the staging folder of a job on the destination's own disk, for the owner alone.

    open_folder: opens the destination; None: whatever its name leads to, and a missing one is made
    when its parent exists. Raises DeliveryError when the destination is no folder, cannot be
    written, or a delivery of the same job is under way, and what ``open_folder`` raises.
    """
    destination = destination.absolute()
    root = destination / f"{_HIDDEN}{_as_name(job)}"
    is_ours = open_folder is None and _is_made(destination)
    folder = _open_destination(destination) if open_folder is None else open_folder(destination)
    try:
        with told_as_delivery_error("making the staging folder", root):
            return Staging(destination, root, folder, _claim(folder, root), is_ours)
    except BaseException:
        os.close(folder)
        raise


def _is_made(destination: Path) -> bool:
    """Make a destination that is not there; False where it is."""
    with told_as_delivery_error("making it", destination):
        if os.path.lexists(destination):
            return False
        destination.mkdir()
        with opened_folder(destination.parent, is_link_allowed=True) as parent:
            os.fsync(parent)
    return True


def _open_destination(destination: Path) -> int:
    if not destination.is_dir():
        raise DeliveryError(f"{destination}: is a file, not a folder; name a folder to deliver to")
    with told_as_delivery_error("opening it", destination):
        if not destination.name.startswith(_HIDDEN):
            return os.open(destination, _PLACE)
        descriptor = _open_hidden(destination)
        try:
            _require_made_by_us(descriptor, destination)
        except BaseException:
            os.close(descriptor)
            raise
        return descriptor


def _open_hidden(folder: Path, below: int | None = None) -> int:
    """Open a folder that lies among other people's, and no link in its place.

    below: descriptor of the folder that it lies in, where that is open. Raises OSError.
    """
    name = folder if below is None else folder.name
    try:
        return os.open(name, _PLACE | os.O_NOFOLLOW, dir_fd=below)
    except OSError as error:
        if error.errno in (errno.ELOOP, errno.ENOTDIR):
            raise replaced(folder) from error
        raise


def _require_made_by_us(descriptor: int, folder: Path) -> None:
    """Raise DeliveryError unless a folder has the owner of what we make in it.

    That is asked of the disk itself, because shares have their own idea of owners.
    """
    name = f".{secrets.token_hex(8)}"
    with opened(descriptor, name, _NEW_FILE) as probe:
        owner = os.fstat(probe).st_uid
    os.unlink(name, dir_fd=descriptor)
    if os.fstat(descriptor).st_uid != owner:
        raise replaced(folder)


def _as_name(job: str) -> str:
    """Make a job's name safe on any disk: one that is not plain and short goes by its hash."""
    if re.fullmatch(r"[A-Za-z0-9._-]{1,100}", job):
        return job
    return hashlib.sha256(job.encode("utf-8", "surrogateescape")).hexdigest()[:32]


def _claim(folder: int, root: Path) -> int:
    try:
        os.mkdir(root.name, 0o700, dir_fd=folder)
        is_new = True
    except FileExistsError:
        is_new = False
    descriptor = _open_hidden(root, folder)
    try:
        if not _lock(descriptor, is_new) or not _is_still_there(folder, root.name, descriptor):
            raise DeliveryError(
                f"{root}: a delivery of the same job is under way; wait until it ends. "
                "If none runs, remove that folder and deliver again"
            )
        _require_made_by_us(descriptor, root)
        os.fchmod(descriptor, 0o700)
        empty_folder(descriptor)
    except BaseException:
        os.close(descriptor)
        raise
    return descriptor


def _lock(descriptor: int, is_new: bool) -> bool:
    """Lock a folder for this process; False where another may hold it.

    On a share without locks only a folder made just now is known to be nobody else's.
    """
    try:
        fcntl.flock(descriptor, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except OSError as error:
        return is_new and error.errno not in (errno.EWOULDBLOCK, errno.EACCES)
    return True


def _is_still_there(folder: int, name: str, descriptor: int) -> bool:
    """Tell whether the name still leads to the folder that was locked."""
    try:
        named = os.stat(name, dir_fd=folder, follow_symlinks=False)
    except FileNotFoundError:
        return False
    return os.path.samestat(named, os.fstat(descriptor))


def _state(status: os.stat_result) -> tuple[int, int]:
    """What differs between two looks at a file that was written to in between."""
    return status.st_size, status.st_mtime_ns


def _open_source(source: Path) -> BinaryIO:
    with (
        opened_folder(source.parent, is_link_allowed=True) as folder,
        opened_file(folder, source.name) as descriptor,
    ):
        return os.fdopen(os.dup(descriptor), "rb")
