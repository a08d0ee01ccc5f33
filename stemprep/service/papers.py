"""Small files that appear whole or not at all, and where those beside a drop are called what."""

from __future__ import annotations

import errno
import hashlib
import os
import stat
from collections.abc import Iterable
from contextlib import suppress
from pathlib import Path

from stemprep.descending import FILE
from stemprep.service.jobs import raw_text
from stemprep.service.store import Store

_MAKER = b"stemprep"
_LARGEST_BYTES = 64_000_000
_LONGEST_NAME_BYTES = 200  # leaves room for an ending where names end at 255 bytes


def write_whole(path: Path, content: bytes | Iterable[bytes]) -> None:
    """Write a file so that its name never leads to half of it, not even after a power cut.

    Written under a hidden name, fsynced, renamed, and the folder fsynced. Whatever has the hidden
    name is removed and never opened: it may be a pipe, or another name of somebody's file. Raises
    OSError.
    """
    hidden = path.with_name(f".{path.name}")
    try:
        _write_hidden(hidden, (content,) if isinstance(content, bytes) else content)
        hidden.rename(path)
    except BaseException:
        with suppress(OSError):
            hidden.unlink()
        raise
    sync_folder(path.parent)


def _write_hidden(path: Path, pieces: Iterable[bytes]) -> None:
    path.unlink(missing_ok=True)
    flags = os.O_WRONLY | os.O_CREAT | os.O_EXCL | os.O_NOFOLLOW | os.O_CLOEXEC
    descriptor = os.open(path, flags, 0o644)
    try:
        for piece in pieces:
            rest = memoryview(piece)
            while rest:
                rest = rest[os.write(descriptor, rest) :]
        os.fsync(descriptor)
    finally:
        os.close(descriptor)


def sync_folder(folder: Path) -> None:
    """Have the names in a folder on the disk. Raises OSError."""
    descriptor = os.open(folder, os.O_RDONLY | os.O_DIRECTORY | os.O_CLOEXEC)
    try:
        os.fsync(descriptor)
    finally:
        os.close(descriptor)


def write_paper(store: Store, path: Path, content: bytes | Iterable[bytes]) -> bool:
    """Write or renew a file of the service's among other people's.

    Returns False, and leaves it, where somebody else's file has that name. Raises OSError.
    """
    is_theirs = os.path.lexists(path) and not _says_so(path)
    if not store.claim_paper(path, is_there=is_theirs):
        return False
    write_whole(path, content)
    return True


def _says_so(path: Path) -> bool:
    """Tell whether a file names us as its maker: the state folder may be newer than the file."""
    return _MAKER in (read_plain(path, _LARGEST_BYTES) or b"")


def read_plain(path: Path, most_bytes: int) -> bytes | None:
    """Content of a regular file among other people's; None for links, pipes, and larger files.

    Never waits for a pipe that takes the file's place meanwhile. Raises OSError.
    """
    try:
        descriptor = os.open(path, FILE)
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


def remove_paper(store: Store, path: Path) -> None:
    """Remove a file that the service has written; nobody else's. Raises OSError."""
    if store.is_our_paper(path) and path.is_file() and not path.is_symlink():
        path.unlink()
        sync_folder(path.parent)


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
