"""Small files that appear whole or not at all, and where those beside a drop are called what."""

from __future__ import annotations

import errno
import hashlib
import os
import stat
from collections.abc import Iterable
from pathlib import Path

from stemprep.app.output_files import folder_of, write_whole
from stemprep.descending import FILE
from stemprep.service.jobs import raw_text
from stemprep.service.store import Store

_MAKER = b"stemprep"
_LARGEST_BYTES = 64_000_000
_LONGEST_NAME_BYTES = 200  # leaves room for an ending where names end at 255 bytes


def write_paper(store: Store, path: Path, content: bytes | Iterable[bytes], *, folder: int) -> bool:
    """Write or renew a file of the service's among other people's.

    folder: descriptor of the folder that it lies in. Returns False, and leaves it, where somebody
    else's file has that name. Raises OSError.
    """
    is_theirs = is_there(folder, path.name) and not _says_so(path, folder)
    if not store.claim_paper(path, is_there=is_theirs):
        return False
    write_whole(path, content, folder=folder)
    return True


def _says_so(path: Path, folder: int) -> bool:
    """Tell whether a file names us as its maker: the state folder may be newer than the file."""
    return _MAKER in (read_plain(path, _LARGEST_BYTES, folder=folder) or b"")


def read_plain(path: Path, most_bytes: int, *, folder: int | None = None) -> bytes | None:
    """Content of a regular file among other people's; None for links, pipes, and larger files.

    Never waits for a pipe that takes the file's place meanwhile. folder: as for ``write_whole``.
    Raises OSError.
    """
    try:
        with folder_of(path, folder) as inside:
            descriptor = os.open(path.name, FILE, dir_fd=inside)
    except OSError as error:
        if error.errno in (errno.ELOOP, errno.ENOENT, errno.ENXIO):
            return None
        raise
    try:
        if not stat.S_ISREG(os.fstat(descriptor).st_mode):
            return None
        with open(descriptor, "rb", closefd=False) as stream:  # a descriptor
            content = stream.read(most_bytes + 1)
    finally:
        os.close(descriptor)
    return content if len(content) <= most_bytes else None


def remove_paper(store: Store, path: Path, *, folder: int) -> None:
    """Remove a file that the service has written; nobody else's. Raises OSError."""
    if not store.is_our_paper(path) or not is_there(folder, path.name):
        return
    status = os.stat(path.name, dir_fd=folder, follow_symlinks=False)
    if stat.S_ISREG(status.st_mode):
        os.unlink(path.name, dir_fd=folder)
        os.fsync(folder)


def is_there(folder: int, name: str) -> bool:
    """Tell whether anything has this name in an open folder. Raises OSError but for that."""
    try:
        os.stat(name, dir_fd=folder, follow_symlinks=False)
    except FileNotFoundError:
        return False
    return True


def paper_beside(inbox: Path, raw_name: bytes, label: str, ending: str) -> Path:
    """Where a result of a drop is written: NAME.report.json, or NAME.SPEC.report.json.

    label: the spec's name in an inbox that has several, else "". A name too long for the ending
    is cut, with a digest that tells it from its like.
    """
    name = raw_name
    if len(name) > _LONGEST_NAME_BYTES:
        digest = hashlib.sha256(raw_name).hexdigest()[:8]
        name = name[: _LONGEST_NAME_BYTES - 9].decode("utf-8", "ignore").encode()
        name += b"~" + digest.encode()
    return inbox / f"{raw_text(name)}{f'.{label}' if label else ''}{ending}"
