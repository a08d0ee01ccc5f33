"""What a disk or share refused, told as something a person can act on."""

from __future__ import annotations

import errno
import os
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from stemprep.errors import DeliveryError, NoRoomError
from stemprep.units import size_in_words

_ADVICE = {
    errno.ENOSPC: "the disk is full; free space there or deliver elsewhere",
    errno.EDQUOT: "the disk quota is used up; free space there or deliver elsewhere",
    errno.EROFS: "the disk is read-only; remount it for writing or deliver elsewhere",
    errno.EACCES: "permission is missing; ask for write access or deliver elsewhere",
    errno.EPERM: "permission is missing; ask for write access or deliver elsewhere",
    errno.EIO: "the disk reported a fault; check cable and disk, then deliver elsewhere",
    errno.ESTALE: "the network share went away; connect it again and repeat the delivery",
    errno.ENAMETOOLONG: "the name is too long for that disk; shorten it in the session sheet",
    errno.EILSEQ: "that disk cannot hold such a name; rename the file",
    errno.ENOTDIR: "a file stands where a folder is needed; name another destination",
    errno.ENOENT: "it is not there; check the name or connect the disk",
    errno.EEXIST: "two files of the package have the same name there; rename one of them",
}


@contextmanager
def told_as_delivery_error(
    doing: str, path: Path | str, outcome: str = "nothing was published"
) -> Iterator[None]:
    """Turn an OSError inside the block into a DeliveryError: where, what failed, what to do."""
    try:
        yield
    except OSError as error:
        raise delivery_error(doing, path, error, outcome) from error


def delivery_error(
    doing: str, path: Path | str, error: OSError, outcome: str = "nothing was published"
) -> DeliveryError:
    """Build the error that tells what could not be done at a path, why, and what to do."""
    reason = os.strerror(error.errno) if error.errno else str(error)
    advice = _ADVICE.get(error.errno or 0, "put that right or use another disk")
    return DeliveryError(f"{path}: {doing} failed ({reason}): {advice}; {outcome}")


def require_space(folder: Path, needed_bytes: int) -> None:
    """Raise NoRoomError when the folder's disk has less room than needed.

    A share that does not tell its size (zero blocks) is believed to have room; a full one is
    then met while writing.
    """
    with told_as_delivery_error("asking for free space", folder):
        disk = os.statvfs(folder)
    free_bytes = disk.f_bavail * disk.f_frsize
    if disk.f_blocks and free_bytes < needed_bytes:
        raise NoRoomError(
            f"{folder}: {size_in_words(needed_bytes)} needed, {size_in_words(free_bytes)} free; "
            "free space there or deliver elsewhere; nothing was published"
        )
