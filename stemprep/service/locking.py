"""One service per state folder: held by a lock that the system drops when the process ends."""

from __future__ import annotations

import errno
import fcntl
import os
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from stemprep.errors import DeliveryError, SpecError, UsageError

LOCK_FILE = "service.lock"
_SHARES = frozenset({"nfs", "nfs4", "cifs", "smb3", "smbfs", "9p", "ceph", "afs", "glusterfs"})


@contextmanager
def state_folder(state: Path) -> Iterator[Path]:
    """Make the state folder, and hold it. Raises UsageError where another service does."""
    try:
        state.mkdir(mode=0o700, parents=True, exist_ok=True)
        _require_local(state)
        descriptor = os.open(
            state / LOCK_FILE, os.O_RDWR | os.O_CREAT | os.O_NOFOLLOW | os.O_CLOEXEC, 0o600
        )
    except OSError as error:
        raise DeliveryError(
            f"{state}: the state folder cannot be used ({error.strerror}); name a folder on a "
            "local disk that may be written to"
        ) from error
    try:
        _hold(descriptor, state)
        yield state
    finally:
        os.close(descriptor)


def _require_local(state: Path) -> None:
    """Raise SpecError on a network share: neither locks nor sqlite's log can be trusted there."""
    found = _filesystem(state)
    if found in _SHARES or found.startswith("fuse."):
        raise SpecError(
            (
                f"{state}: the state folder lies on a network share ({found}), where two services "
                "could work with it unseen; name a folder on a local disk as state",
            )
        )


def _filesystem(place: Path) -> str:
    """Kind of file system that a folder lies on, proc_pid_mountinfo(5); "" where none is told."""
    try:
        lines = Path("/proc/self/mountinfo").read_text(errors="surrogateescape").splitlines()
    except OSError:
        return ""
    wanted = f"{os.major(place.stat().st_dev)}:{os.minor(place.stat().st_dev)}"
    kinds = [line.rpartition(" - ")[2].split()[0] for line in lines if line.split()[2] == wanted]
    return kinds[-1] if kinds else ""


def _hold(descriptor: int, state: Path) -> None:
    try:
        fcntl.flock(descriptor, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except OSError as error:
        if error.errno not in (errno.EWOULDBLOCK, errno.EACCES):
            raise DeliveryError(
                f"{state}: cannot be locked ({error.strerror}); it has to lie on a local disk"
            ) from error
        holder = os.pread(descriptor, 20, 0).decode("ascii", "replace").strip()
        raise UsageError(
            f"{state}: a service{f' (process {holder})' if holder else ''} works with this state "
            "folder already; end it first, or name another state folder in the config"
        ) from error
    os.ftruncate(descriptor, 0)
    os.pwrite(descriptor, f"{os.getpid()}\n".encode(), 0)
