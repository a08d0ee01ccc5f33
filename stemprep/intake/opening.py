"""Opening what lies in a drop, without ever leaving it.

Every part of a path is opened from the folder before it and links are refused at each step, so a
folder that is exchanged for a link between listing and reading leads nowhere.
"""

from __future__ import annotations

import errno
import os
import stat
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from typing import BinaryIO

from stemprep.descending import FILE, FOLDER, descend
from stemprep.errors import InputError
from stemprep.intake.names import display_path

_PASSING = getattr(os, "O_PATH", 0)  # a folder may be passed through without being listable

_SPECIAL = {
    stat.S_IFIFO: "a named pipe",
    stat.S_IFSOCK: "a socket",
    stat.S_IFCHR: "a device",
    stat.S_IFBLK: "a device",
    stat.S_IFDIR: "a folder",
    stat.S_IFLNK: "a link",
}


def special_kind(mode: int) -> str:
    """Say what a mode stands for, in words; "" for a regular file."""
    if stat.S_ISREG(mode):
        return ""
    return _SPECIAL.get(stat.S_IFMT(mode), "neither file nor folder")


def open_regular(root: str, raw_path: bytes) -> BinaryIO:
    """Open one regular file below root for reading, following no link on the way.

    root: absolute path of the drop (or of a zip's unpacking place).
    raw_path: bytes relative to root, ``/`` between parts.
    Raises InputError for a path that leaves root, and for anything but a readable regular file.
    """
    parts = _parts(raw_path)
    shown = display_path(raw_path)
    try:
        with _root(root, _PASSING) as top, _below(top, parts[:-1]) as folder:
            handle = os.open(parts[-1], FILE, dir_fd=folder)
    except OSError as error:
        raise InputError(_refusal(shown, error)) from error
    found = special_kind(os.fstat(handle).st_mode)
    if found:
        os.close(handle)
        raise InputError(f"{shown}: {found}, not a file; nothing was read from it")
    return os.fdopen(handle, "rb")


@contextmanager
def open_folder(root: str, raw_path: bytes) -> Iterator[int]:
    """Give a descriptor of one folder below root, for listing; b"" is root. Raises OSError."""
    if not raw_path:
        with _root(root) as top:
            yield top
        return
    *way, name = _parts(raw_path)
    with _root(root, _PASSING) as top, _below(top, way) as folder:
        handle = descend(folder, [name])
    try:
        yield handle
    finally:
        os.close(handle)


@contextmanager
def _root(root: str, passing: int = 0) -> Iterator[int]:
    handle = os.open(root, FOLDER | passing)  # links were resolved before: one is new
    try:
        yield handle
    finally:
        os.close(handle)


@contextmanager
def _below(folder: int, parts: Sequence[bytes]) -> Iterator[int]:
    handle = descend(folder, parts, FOLDER | _PASSING)
    try:
        yield handle
    finally:
        os.close(handle)


def _parts(raw_path: bytes) -> tuple[bytes, ...]:
    parts = tuple(raw_path.split(b"/"))
    if b"\0" in raw_path or any(part in (b"", b".", b"..") for part in parts):
        raise InputError(f"{display_path(raw_path)}: not a path inside the drop; not opened")
    return parts


def _refusal(shown: str, error: OSError) -> str:
    if error.errno in (errno.ELOOP, errno.ENOTDIR, errno.EMLINK):
        return f"{shown}: a link stands in its place or on the way to it; not followed"
    if error.errno == errno.ENXIO:
        return f"{shown}: a socket or device, not a file; nothing was read from it"
    if error.errno == errno.ENOENT:
        return f"{shown}: no longer there; was the drop changed while it was read? start again"
    return f"{shown}: cannot be opened ({error.strerror}); check the permissions of file and folder"
