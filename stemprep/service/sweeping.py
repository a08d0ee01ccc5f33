"""Removing what a service that died has left in destinations and archives; nobody else's."""

from __future__ import annotations

import errno
import fcntl
import os
from collections.abc import Collection
from contextlib import suppress

from stemprep.descending import FOLDER
from stemprep.package import empty_folder, opened
from stemprep.service.names import INCOMING


def sweep_staging(folder: int, service_id: str, held: Collection[int] = ()) -> list[str]:
    """Remove staging folders of this service's jobs but for those that are worked on.

    folder: descriptor of a destination, an archive or the state folder. held: jobs that somebody
    works on. A folder that is locked is left. Returns the names that were removed.
    """
    ours, removed = f"{INCOMING}{service_id}-", []
    with suppress(OSError):  # a share that goes away has nothing that could be in the way
        for name in os.listdir(folder):
            if not name.startswith(ours):
                continue
            job = name.removeprefix(ours).partition("-")[0]  # its unpacked zip has a longer name
            if job not in map(str, held) and _removed(folder, name):
                removed.append(name)
    return removed


def _removed(folder: int, name: str) -> bool:
    with suppress(OSError), opened(folder, name, FOLDER) as descriptor:
        try:
            fcntl.flock(descriptor, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except OSError as error:
            if error.errno in (errno.EWOULDBLOCK, errno.EACCES):
                return False
        empty_folder(descriptor)
        os.rmdir(name, dir_fd=folder)
        return True
    return False
