"""One service per state folder: held by a lock that the system drops when the process ends."""

from __future__ import annotations

import errno
import fcntl
import os
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from stemprep.errors import DeliveryError, SpecError, UsageError
from stemprep.service.mounts import is_share, mount_of

LOCK_FILE = "service.lock"


@contextmanager
def state_folder(state: Path) -> Iterator[Path]:
    """Make the state folder, and hold it. Raises UsageError where another service does."""
    made_state_folder(state)
    with _as_delivery_error(state):
        descriptor = os.open(
            state / LOCK_FILE, os.O_RDWR | os.O_CREAT | os.O_NOFOLLOW | os.O_CLOEXEC, 0o600
        )
    try:
        _hold(descriptor, state)
        yield state
    finally:
        os.close(descriptor)


def made_state_folder(state: Path) -> None:
    """Make the state folder where it is missing. Raises SpecError on a share, DeliveryError."""
    with _as_delivery_error(state):
        state.mkdir(mode=0o700, parents=True, exist_ok=True)
        _require_local(state)


@contextmanager
def _as_delivery_error(state: Path) -> Iterator[None]:
    """Turn an OSError into a DeliveryError that says what to do."""
    try:
        yield
    except OSError as error:
        raise DeliveryError(
            f"{state}: the state folder cannot be used ({error.strerror}); name a folder on a "
            "local disk that may be written to"
        ) from error


def _require_local(state: Path) -> None:
    """Raise SpecError on a network share: neither locks nor sqlite's log can be trusted there."""
    descriptor = os.open(state, os.O_RDONLY | os.O_DIRECTORY | os.O_CLOEXEC)
    try:
        mount = mount_of(descriptor)
    finally:
        os.close(descriptor)
    if mount is not None and is_share(mount.kind):
        raise SpecError(
            (
                f"{state}: the state folder lies on a network share ({mount.kind}), where two "
                "services could work with it unseen; name a folder on a local disk as state",
            )
        )


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
