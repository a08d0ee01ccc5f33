"""One look at a drop: what lies in it, and whether anything of it can still be moving.

Files are told by size and times, never by clocks: times are only compared with what they were at
the look before, so a skewed clock or a time far in the past or future does no harm. Nothing is
opened but folders and, for the sample, regular files; links are never followed.
"""

from __future__ import annotations

import errno
import hashlib
import os
import stat
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

from stemprep.descending import FILE, FOLDER, descend
from stemprep.intake import KEPT_EXTENSIONS, clutter_reason, display_path
from stemprep.service.inbox.drop_names import is_unfinished

MAX_ENTRIES = 100_000
"""As many as a drop may hold; one with more is looked at no closer, for it will be refused."""
MAX_DEPTH = 100
_TOO_MANY = b"/too many"  # no path in a drop begins with a stroke
_UNLISTED = b"/!"  # a folder that could not be listed, and the errno
SAMPLE_SPOTS = 8
SPOT_BYTES = 4096

Top = tuple[int, int, int]
"""Device, inode and modification time of what stands at the top of a drop."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Look:
    """What one look saw.

    stillness:  digest of all that moves while somebody writes: names, sizes, blocks, both times.
    identity:   digest of names, kinds, sizes and modification times; clutter does not count.
    files:      regular files, clutter not counted.
    size_bytes: their sum.
    unfinished: path of a transfer that has not come to its end; "" where there is none.
    is_marked:  the file that says that the drop is complete is there.
    is_empty:   a folder in which nothing lies that counts.
    """

    stillness: bytes
    identity: bytes
    files: int
    size_bytes: int
    unfinished: str
    is_marked: bool
    is_empty: bool


@dataclass(frozen=True, slots=True)
class _Entry:
    """path: raw, relative to the drop, b"" for a bare file; folder: descriptor it lies in."""

    folder: int
    name: bytes
    path: bytes
    status: os.stat_result | None


def look_at(path: Path, ready_marker: str | None = None, inbox: int | None = None) -> Look | None:
    """Look at the drop at ``path``, a folder or a bare file; None where nothing is there now.

    inbox: descriptor of the folder that ``path`` is a name in; None: by path. Raises OSError where
    a folder is there that cannot be opened.
    """
    stillness: list[bytes] = []
    identity: list[bytes] = []
    files, size_bytes, unfinished = 0, 0, ""
    last = b""
    is_marked = ready_marker is not None and _has_marker(path, ready_marker, inbox)
    try:
        for entry in _entries(path, ready_marker, inbox):
            whole, lasting = _fingerprints_of(entry.status)
            stillness.append(entry.path + b"\0" + whole)
            identity.append(entry.path + b"\0" + lasting)
            if entry.status is not None and stat.S_ISREG(entry.status.st_mode):
                files += 1
                size_bytes += entry.status.st_size
            if not unfinished and is_unfinished(os.fsdecode(entry.name)):
                unfinished = display_path(entry.path)
            last = entry.path
    except FileNotFoundError:
        return None
    if last == _TOO_MANY:
        stillness = identity = [b"too many"]
    return Look(
        stillness=_digest(stillness),
        identity=_digest(identity),
        files=files,
        size_bytes=size_bytes,
        unfinished=unfinished,
        is_marked=is_marked,
        is_empty=not identity,
    )


def sample(path: Path, inbox: int | None = None) -> bytes:
    """Digest of a few places of every file: what a copy fills in later is seen without its times.

    A change of an eighth of a file in one piece is always seen. inbox: as for ``look_at``. Raises
    FileNotFoundError.
    """
    parts = []
    for entry in _entries(path, None, inbox):
        if entry.status is not None and stat.S_ISREG(entry.status.st_mode):
            parts.append(entry.path + b"\0" + _content(entry))
    return _digest(parts)


def unread_places(path: Path) -> list[tuple[bytes, int]]:
    """What in the drop at ``path`` cannot be opened: raw path, b"" for itself, and errno; sorted.

    A folder that can be listed and not entered stands for all that lies in it. Clutter does not
    count. Raises OSError where a folder is there that cannot be opened.
    """
    found: dict[bytes, int] = {}
    for entry in _entries(path, None, None):
        folder, closed, code = entry.path.rpartition(_UNLISTED)
        if closed and entry.status is None and not entry.name:
            found[folder] = int(code)
        elif entry.status is None and entry.path != _TOO_MANY:
            found[os.path.dirname(entry.path)] = errno.EACCES  # noqa: PTH120 - bytes
        elif entry.status is not None and stat.S_ISREG(entry.status.st_mode):
            try:
                os.close(os.open(entry.name, FILE, dir_fd=entry.folder))
            except OSError as error:
                found[entry.path] = error.errno or errno.EIO
    return sorted(found.items())


def top_of(path: Path) -> Top:
    """What tells a drop from another in its place, looked into or not. Raises OSError."""
    status = os.lstat(path)
    return status.st_dev, status.st_ino, status.st_mtime_ns


def fingerprint(identity: bytes, sampled: bytes) -> str:
    """Tell one state of a drop from every other: 64 hexadecimal digits."""
    return hashlib.sha256(identity + sampled).hexdigest()


def _has_marker(path: Path, marker: str, inbox: int | None) -> bool:
    """Tell whether the marker lies in the folder, or beside a bare file as NAME.MARKER."""
    try:
        status = os.stat(path, dir_fd=inbox, follow_symlinks=False)
        is_folder = stat.S_ISDIR(status.st_mode)
        place = path / marker if is_folder else path.with_name(marker_beside(path.name, marker))
        found = os.stat(place, dir_fd=inbox, follow_symlinks=False)
    except (FileNotFoundError, NotADirectoryError):
        return False
    return stat.S_ISREG(found.st_mode)


def marker_beside(name: str, marker: str) -> str:
    """Name of the marker for a bare file, which no marker can lie in."""
    return f"{name}.{marker.removeprefix('.')}"


def _entries(path: Path, marker: str | None, inbox: int | None) -> Iterator[_Entry]:
    """Everything in the drop that counts; at most a little over MAX_ENTRIES entries."""
    raw = os.fsencode(path)
    status = os.stat(raw, dir_fd=inbox, follow_symlinks=False)
    if not stat.S_ISDIR(status.st_mode):
        around = os.path.dirname(raw) or b"."  # noqa: PTH120 - bytes
        parent = os.open(around, FOLDER & ~os.O_NOFOLLOW, dir_fd=inbox)
        try:
            yield _Entry(parent, os.path.basename(raw), b"", status)  # noqa: PTH119 - bytes
        finally:
            os.close(parent)
        return
    top = os.open(raw, FOLDER, dir_fd=inbox)
    try:
        yield from _entries_below(top, os.fsencode(marker) if marker is not None else b"")
    finally:
        os.close(top)


def _entries_below(top: int, marker: bytes) -> Iterator[_Entry]:
    waiting, count = [b""], 0
    while waiting and count <= MAX_ENTRIES:
        folder = waiting.pop()
        try:
            handle = descend(top, folder.split(b"/") if folder else ())
        except OSError as error:
            yield _Entry(top, b"", folder + _UNLISTED + str(error.errno).encode(), None)
            continue
        try:
            for entry in _listed(handle, folder, MAX_ENTRIES + 1 - count):
                is_folder = entry.status is not None and stat.S_ISDIR(entry.status.st_mode)
                count += 1
                if is_folder and entry.path.count(b"/") < MAX_DEPTH:
                    waiting.append(entry.path)
                elif folder or entry.name != marker:
                    yield entry
        finally:
            os.close(handle)
    if count > MAX_ENTRIES:
        yield _Entry(top, b"", _TOO_MANY, None)


def _listed(handle: int, folder: bytes, most: int) -> Iterator[_Entry]:
    with os.scandir(handle) as listing:
        found = [item for item, _ in zip(listing, range(most), strict=False)]
    siblings = frozenset(item.name for item in found)
    shown = os.fsdecode(folder)
    for item in found:
        path = f"{shown}/{item.name}" if shown else item.name
        if clutter_reason(path, KEPT_EXTENSIONS, siblings) and not is_unfinished(item.name):
            continue
        try:
            status = item.stat(follow_symlinks=False)
        except OSError:
            status = None
        yield _Entry(handle, os.fsencode(item.name), os.fsencode(path), status)


def _fingerprints_of(status: os.stat_result | None) -> tuple[bytes, bytes]:
    """All that moves while something is written, and what makes the entry the one it is."""
    if status is None:
        return b"?", b"?"
    lasting = f"{stat.S_IFMT(status.st_mode):o} {status.st_size} {status.st_mtime_ns}"
    blocks = getattr(status, "st_blocks", 0)
    return f"{lasting} {status.st_ctime_ns} {blocks}".encode(), lasting.encode()


def _content(entry: _Entry) -> bytes:
    """Bytes at a few places of one file, the first and the last among them."""
    try:
        handle = os.open(entry.name, FILE, dir_fd=entry.folder)
    except OSError as error:
        return f"!{error.errno}".encode()
    try:
        status = os.fstat(handle)
        if not stat.S_ISREG(status.st_mode):
            return b"!exchanged"
        last = max(0, status.st_size - SPOT_BYTES)
        spots = sorted({last * spot // (SAMPLE_SPOTS - 1) for spot in range(SAMPLE_SPOTS)})
        digest = hashlib.blake2b(digest_size=16)
        for spot in spots:
            digest.update(os.pread(handle, SPOT_BYTES, spot))
        return digest.digest()
    except OSError as error:
        return f"!{error.errno}".encode()
    finally:
        os.close(handle)


def _digest(parts: list[bytes]) -> bytes:
    """Digest of parts that name themselves, in whatever order they were listed."""
    digest = hashlib.blake2b(digest_size=16)
    for part in sorted(parts):
        digest.update(len(part).to_bytes(8, "big") + part)
    return digest.digest()
