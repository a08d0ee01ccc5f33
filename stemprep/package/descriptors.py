"""Opening, walking and emptying folders by descriptor, so that no link is ever followed."""

from __future__ import annotations

import os
import stat
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from dataclasses import dataclass
from typing import Literal

from stemprep.descending import FILE, FOLDER, descend

MAX_DEPTH = 64

Kind = Literal["file", "folder", "link", "special", "too-deep", "unlistable"]


class NotRegularError(OSError):
    """A link, device, socket or pipe stands where a file was to be opened."""


@dataclass(frozen=True, slots=True)
class TreeEntry:
    """One thing in a tree; path relative to the tree, ``/`` between parts."""

    path: str
    kind: Kind
    size_bytes: int = 0


@contextmanager
def opened(folder: int, path: str, flags: int, mode: int = 0o600) -> Iterator[int]:
    """Open a path below a folder's descriptor, part by part, links refused at every part."""
    descriptor = _open_below(folder, path, flags | os.O_NOFOLLOW | os.O_CLOEXEC, mode)
    try:
        yield descriptor
    finally:
        os.close(descriptor)


def _open_below(folder: int, path: str, flags: int, mode: int) -> int:
    *parents, name = path.split("/")
    last = descend(folder, parents)
    try:
        return os.open(name, flags, mode, dir_fd=last)
    finally:
        os.close(last)


@contextmanager
def opened_file(folder: int, path: str) -> Iterator[int]:
    """Open a regular file for reading; anything else raises NotRegularError, nothing blocks."""
    with opened(folder, path, FILE) as descriptor:
        if not stat.S_ISREG(os.fstat(descriptor).st_mode):
            raise NotRegularError(f"{path} is no regular file")
        yield descriptor


@contextmanager
def opened_folder(path: os.PathLike[str] | str, *, is_link_allowed: bool = False) -> Iterator[int]:
    """Open a folder's descriptor; the last part may be a link only where that is allowed."""
    flags = FOLDER & ~os.O_NOFOLLOW if is_link_allowed else FOLDER
    descriptor = os.open(path, flags)
    try:
        yield descriptor
    finally:
        os.close(descriptor)


def make_folders(folder: int, path: str) -> None:
    """Make a folder and its parents below a descriptor, for the owner alone; links refused."""
    current = os.dup(folder)
    try:
        for part in path.split("/"):
            with suppress(FileExistsError):  # opened below, which fails for all but a folder
                os.mkdir(part, 0o700, dir_fd=current)
            below = descend(current, [part])
            os.close(current)
            current = below
    finally:
        os.close(current)


def walk(folder: int) -> Iterator[TreeEntry]:
    """Yield everything below a folder, parents before their content, unsorted.

    Links and special files are named, not opened; folders deeper than 64 are named, not entered;
    folders that cannot be listed are named once more as such. Raises OSError for the top alone.
    """
    waiting = [""]
    while waiting:
        path = waiting.pop()
        try:
            entries = _entries(folder, path)
        except OSError:
            if not path:
                raise
            yield TreeEntry(path, "unlistable")
            continue
        for entry in entries:
            if entry.kind == "folder" and entry.path.count("/") >= MAX_DEPTH:
                yield TreeEntry(entry.path, "too-deep")
                continue
            if entry.kind == "folder":
                waiting.append(entry.path)
            yield entry


def _entries(folder: int, path: str) -> list[TreeEntry]:
    with opened(folder, path or ".", FOLDER) as descriptor, os.scandir(descriptor) as found:
        return [_entry(item, f"{path}/{item.name}" if path else item.name) for item in found]


def _entry(item: os.DirEntry[str], path: str) -> TreeEntry:
    status = item.stat(follow_symlinks=False)
    if stat.S_ISLNK(status.st_mode):
        return TreeEntry(path, "link")
    if stat.S_ISDIR(status.st_mode):
        return TreeEntry(path, "folder")
    kind: Kind = "file" if stat.S_ISREG(status.st_mode) else "special"
    return TreeEntry(path, kind, status.st_size)


def empty_folder(folder: int) -> None:
    """Remove all that lies in a folder; links go without their target, other disks are left.

    Raises OSError where something cannot be removed.
    """
    disk = os.fstat(folder).st_dev
    for name in os.listdir(folder):
        status = os.stat(name, dir_fd=folder, follow_symlinks=False)
        if not stat.S_ISDIR(status.st_mode):
            os.unlink(name, dir_fd=folder)
        elif status.st_dev == disk:
            with opened(folder, name, FOLDER) as below:
                empty_folder(below)
            os.rmdir(name, dir_fd=folder)
