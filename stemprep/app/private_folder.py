"""Folders of this machine that one delivery alone works in: made for it, removed with it."""

from __future__ import annotations

import fcntl
import os
import shutil
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import Final

from stemprep.package import told_as_delivery_error

_PREFIX: Final = "stemprep-delivery-"
_FOLDER: Final = os.O_RDONLY | os.O_DIRECTORY | os.O_NOFOLLOW | os.O_CLOEXEC


@contextmanager
def private_folder() -> Iterator[Path]:
    """Make a folder below the temporary folder that only this user may enter.

    It is locked while it is in use, and filled only then; so what is filled and not locked was
    left by a process that died, and is removed first. DeliveryError where none can be made.
    """
    place = Path(tempfile.gettempdir())
    _remove_left(place)
    with told_as_delivery_error("making a temporary folder", place):
        folder = Path(tempfile.mkdtemp(prefix=_PREFIX))  # mode 0700
        descriptor = os.open(folder, _FOLDER)
    try:
        with suppress(OSError):  # a disk without locks: then nothing is ever taken for left
            fcntl.flock(descriptor, fcntl.LOCK_EX)
        yield folder
    finally:
        shutil.rmtree(folder, ignore_errors=True)
        with suppress(OSError):  # by hand: a worker forked meanwhile shares the lock
            fcntl.flock(descriptor, fcntl.LOCK_UN)
        os.close(descriptor)


def _remove_left(place: Path) -> None:
    """Remove what deliveries of this user left below ``place`` when they were killed."""
    with suppress(OSError):
        for folder in place.glob(f"{_PREFIX}*"):
            with suppress(OSError):
                _remove_if_left(folder)


def _remove_if_left(folder: Path) -> None:
    descriptor = os.open(folder, _FOLDER)
    try:
        with os.scandir(descriptor) as entries:
            is_filled = any(entries)
        if os.fstat(descriptor).st_uid != os.geteuid() or not is_filled:
            return  # of somebody else, or just made and not locked yet
        fcntl.flock(descriptor, fcntl.LOCK_EX | fcntl.LOCK_NB)
        shutil.rmtree(folder, ignore_errors=True)
    finally:
        os.close(descriptor)
