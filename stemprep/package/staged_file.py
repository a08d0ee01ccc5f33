"""A file in a staging folder as jobs in other processes make and read it.

The folder's path may lead elsewhere by then: whoever may write into the destination can rename the
folder and plant another, or a link, in its place. So the path is opened once more, what it leads to
is held against the folder that the delivery has locked, and everything below is opened from there.
"""

from __future__ import annotations

import errno
import os
from dataclasses import dataclass
from functools import cache
from pathlib import Path
from typing import BinaryIO, Self

from stemprep.descending import FILE, FOLDER, descend
from stemprep.errors import DeliveryError

_NEW_FILE = os.O_RDWR | os.O_CREAT | os.O_EXCL | os.O_NOFOLLOW | os.O_CLOEXEC
_MISLED = frozenset((errno.ELOOP, errno.ENOTDIR, errno.ENOENT, errno.EMLINK))


@dataclass(frozen=True, slots=True, kw_only=True)
class StagedFile:
    """Where a file lies below a staging folder, and which folder that is.

    root:    absolute path of the staging folder.
    inside:  path of the file in it, ``/`` between parts.
    inode, device: of the staging folder, as stat(2) gives them.
    machine: where the device number was read; another machine counts its devices differently.
    """

    root: str
    inside: str
    inode: int
    device: int
    machine: str

    @classmethod
    def below(cls, folder: int, root: Path, inside: str) -> Self:
        """A file below the folder that a descriptor holds, which had the path ``root``."""
        status = os.fstat(folder)
        return cls(
            root=str(root),
            inside=inside,
            inode=status.st_ino,
            device=status.st_dev,
            machine=_machine(),
        )

    @property
    def path(self) -> str:
        """Its absolute path, for messages and records; never to be opened."""
        return f"{self.root}/{self.inside}"

    def create(self, mode: int = 0o644) -> int:
        """Make the file, with just this mode; a descriptor to write and read it.

        Its folders exist already. Raises DeliveryError where the path leads to another folder or
        over a link, OSError where something has the name or the disk refuses.
        """
        descriptor = self._opened(_NEW_FILE)
        try:
            os.fchmod(descriptor, mode)
        except BaseException:
            os.close(descriptor)
            raise
        return descriptor

    def open(self) -> BinaryIO:
        """Open the file for reading; raises as ``create``."""
        return os.fdopen(self._opened(FILE), "rb")

    def _opened(self, flags: int) -> int:
        folder = self._folder()
        try:
            return os.open(self.inside.rpartition("/")[2], flags, 0o600, dir_fd=folder)
        except OSError as error:
            if error.errno == errno.ELOOP:
                raise replaced(self.root) from error
            raise
        finally:
            os.close(folder)

    def _folder(self) -> int:
        try:
            top = os.open(self.root, FOLDER)
            try:
                self._require_same(os.fstat(top))
                return descend(top, self.inside.split("/")[:-1])
            finally:
                os.close(top)
        except OSError as error:
            if error.errno in _MISLED:
                raise replaced(self.root) from error
            raise

    def _require_same(self, found: os.stat_result) -> None:
        is_same = found.st_ino == self.inode
        if self.machine == _machine():
            is_same = is_same and found.st_dev == self.device
        if not is_same:
            raise replaced(self.root)


def replaced(root: str | Path) -> DeliveryError:
    """The error for a staging folder whose path leads to something else."""
    return DeliveryError(
        f"{root}: was renamed or replaced while the delivery worked in it; let only the service "
        f"rename what it has made there (chmod +t {Path(root).parent}), see who did this, and "
        "deliver again; nothing was published"
    )


def exchanged(package: str | Path) -> DeliveryError:
    """The error for a package that is whole by its own lists, and not the one that was sealed."""
    return DeliveryError(
        f"{package}: is another package than the one that was made; let only the service rename "
        f"what it has made there (chmod +t {Path(package).parent}), see who did this, and deliver "
        "again"
    )


@cache
def _machine() -> str:
    """One start of one machine, proc(5): random/boot_id; the host's name where that is missing."""
    try:
        return Path("/proc/sys/kernel/random/boot_id").read_text("ascii").strip()
    except OSError:
        return os.uname().nodename
