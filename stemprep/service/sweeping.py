"""Removing what a service that died has left in destinations and archives; nobody else's."""

from __future__ import annotations

import errno
import fcntl
import os
from collections.abc import Collection, Iterable
from contextlib import suppress
from pathlib import Path

from stemprep.package import empty_folder, opened_folder
from stemprep.service.names import INCOMING


def sweep_staging(places: Iterable[Path], service_id: str, held: Collection[int]) -> list[Path]:
    """Remove staging folders of this service's jobs but for those that are worked on.

    held: jobs that somebody works on. A folder that is locked is left. Returns what was removed.
    """
    kept = {f"{INCOMING}{service_id}-{job}" for job in held}
    removed = []
    for place in places:
        with suppress(OSError):  # a share that is away has nothing that could be in the way
            for name in os.listdir(place):  # noqa: PTH208 - names alone are wanted
                is_ours = name.startswith(f"{INCOMING}{service_id}-") and name not in kept
                if is_ours and _removed(place / name):
                    removed.append(place / name)
    return removed


def _removed(folder: Path) -> bool:
    with suppress(OSError), opened_folder(folder) as descriptor:
        try:
            fcntl.flock(descriptor, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except OSError as error:
            if error.errno in (errno.EWOULDBLOCK, errno.EACCES):
                return False
        empty_folder(descriptor)
        folder.rmdir()
        return True
    return False
