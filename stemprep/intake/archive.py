"""Unpacking a dropped zip into a quarantine folder.

What comes out of a zip is named by whoever made it, so nothing is written under a name from inside:
entries are numbered in the order of their names and only the record keeps the name. No name can
thus leave the folder, meet another one or be too long for the file system, and twins that differ in
case both survive.
"""

from __future__ import annotations

import errno
import os
import re
import shutil
import stat
import struct
import zipfile
import zlib
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import IO, BinaryIO

from stemprep.descending import FOLDER
from stemprep.errors import DeliveryError, InputError
from stemprep.intake.clutter import clutter_reason
from stemprep.intake.folder import head_of
from stemprep.intake.kinds import KEPT_EXTENSIONS, classify
from stemprep.intake.names import extension
from stemprep.intake.zip_directory import ZipRefusedError, check_directory, check_entries
from stemprep.model.session import DropEntry, EntryKind, Hazard

MAX_NAME_BYTES = 4096  # what a path may have where packages are written
KEPT_FREE_BYTES = 256 << 20
_BLOCK_BYTES = 1 << 20

_IS_ENCRYPTED = 0x1 | 0x40  # general-purpose bits 0 and 6, APPNOTE.TXT 4.4.4
_IS_UTF8 = 0x800  # bit 11
_DOS = (0, 10, 14)  # host systems of zips made on DOS or Windows (FAT, NTFS, VFAT), 4.4.2
_UNICODE_PATH = 0x7075  # an entry's name in UTF-8, with the sum of the one it stands for, 4.6.9
_DRIVE = re.compile(r"[A-Za-z]:")
_METHODS = (zipfile.ZIP_STORED, zipfile.ZIP_DEFLATED)  # others may ask for gigabytes of memory

_BROKEN = (
    zipfile.BadZipFile,
    zlib.error,
    struct.error,
    EOFError,
    UnicodeError,
    NotImplementedError,
    RuntimeError,
    ValueError,
    OverflowError,
)


@dataclass(frozen=True, slots=True, kw_only=True)
class _Inner:
    """One entry of the zip with its name as people read it and what that reading needed."""

    info: zipfile.ZipInfo
    path: str
    note: str
    number: int = 0

    @property
    def raw_path(self) -> bytes:
        suffix = extension(self.path)
        return f"{self.number:05d}{'.' + suffix if suffix else ''}".encode("ascii")


def unpack(
    stream: BinaryIO, zip_name: str, size_bytes: int, workspace: Path, max_bytes: int
) -> list[DropEntry]:
    """Unpack a zip into the empty folder workspace and list what was in it.

    zip_name: for the entries' ``archive``. max_bytes: most that may come out.
    A zip that cannot be read as a whole gives one unsafe entry under its own name; a single entry
    that is refused or damaged gives an unsafe entry and is not written.
    Raises InputError when the disk has too little room.
    """
    try:
        check_directory(stream, size_bytes)
        with zipfile.ZipFile(stream) as archive:
            check_entries(archive.infolist())
            inner = _ordered(archive.infolist())
            _check_room(inner, workspace, max_bytes)
            with _opened_workspace(workspace) as opened:
                return _entries(archive, inner, zip_name, opened)
    except ZipRefusedError as refused:
        hazard, reason = refused.hazard, refused.reason
    except _BROKEN as error:
        hazard, reason = "broken-archive", f"{error}; the zip is damaged: ask for it again"
    return [
        DropEntry(
            path=zip_name,
            raw_path=os.fsencode(zip_name),
            kind="unsafe",
            size_bytes=size_bytes,
            reason=reason,
            archive=zip_name,
            hazard=hazard,
        )
    ]


@dataclass(frozen=True, slots=True)
class _Workspace:
    path: Path
    descriptor: int


@contextmanager
def _opened_workspace(path: Path) -> Iterator[_Workspace]:
    """Open the folder once: its path may lead elsewhere as soon as it lies among other people's.

    Only a folder of our own that holds nothing is written into.
    """
    try:
        descriptor = os.open(path, FOLDER)
    except OSError as error:
        raise _no_workspace(path) from error
    try:
        if os.fstat(descriptor).st_uid != os.geteuid() or os.listdir(descriptor):  # noqa: PTH208
            raise _no_workspace(path)
        yield _Workspace(path, descriptor)
    finally:
        os.close(descriptor)


def _no_workspace(path: Path) -> DeliveryError:
    return DeliveryError(
        f"{path}: was renamed or replaced before the zip was unpacked into it; let nobody else "
        f"rename what lies there (chmod +t {path.parent}), and start again; nothing was unpacked"
    )


def _check_room(inner: list[_Inner], workspace: Path, max_bytes: int) -> None:
    needed = sum(item.info.file_size for item in inner)
    if needed > max_bytes:
        raise ZipRefusedError(
            "too-large",
            f"{needed:,} bytes would come out of the zip, at most {max_bytes:,} are allowed; "
            "send one song at a time",
        )
    free = shutil.disk_usage(workspace).free
    if needed > free - KEPT_FREE_BYTES:
        raise InputError(
            f"the zip unpacks to {needed:,} bytes, {free:,} are free where it would be unpacked; "
            "make room there, or drop the folder instead of the zip"
        ) from OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))  # the disk's fault, not the zip's


def _ordered(infos: list[zipfile.ZipInfo]) -> list[_Inner]:
    """Numbered in the order of the names' bytes; equal names stay in the zip's order."""
    is_flat = not any("/" in _decoded(info)[0] for info in infos)
    names = (_named(info, is_flat) for info in infos)
    named = sorted(names, key=lambda item: item.path.encode("utf-8"))
    return [
        _Inner(info=item.info, path=item.path, note=item.note, number=number)
        for number, item in enumerate(named)
    ]


def _named(info: zipfile.ZipInfo, is_flat: bool) -> _Inner:
    """Give an entry its name; is_flat: no name in the zip holds the slash that parts folders.

    Some writers put backslashes instead, whatever system they name as their own.
    """
    name, note = _decoded(info)
    is_parted = info.create_system in _DOS or (is_flat and _path_refusal(name) is None)
    if is_parted and "\\" in name:
        name = name.replace("\\", "/")
        note += "; folders were written with backslashes"
    while name.startswith("./"):
        name = name[2:]
    return _Inner(info=info, path=name, note=note)


def _decoded(info: zipfile.ZipInfo) -> tuple[str, str]:
    """Return the name, and a note where its coding had to be found out.

    The specification (APPNOTE.TXT, appendix D) knows UTF-8 with bit 11, else IBM code page 437;
    many systems write UTF-8 and leave the bit out.
    """
    name = info.orig_filename
    unicode_path = _unicode_path(info)
    if unicode_path:
        return unicode_path, ""
    if info.flag_bits & _IS_UTF8 or name.isascii():
        return name, ""
    try:
        return name.encode("cp437").decode("utf-8"), "; name not marked as UTF-8 but read as such"
    except UnicodeError:
        return name, "; name read in code page 437, as the zip does not say"


def _unicode_path(info: zipfile.ZipInfo) -> str:
    """The name in an entry's Unicode path field; "" where there is none that holds."""
    extra, position = info.extra, 0
    while position + 4 <= len(extra):
        kind, size = struct.unpack_from("<HH", extra, position)
        payload = extra[position + 4 : position + 4 + size]
        position += 4 + size
        if kind != _UNICODE_PATH or len(payload) < 6 or payload[0] != 1:
            continue
        stored = info.orig_filename.encode("utf-8" if info.flag_bits & _IS_UTF8 else "cp437")
        if struct.unpack_from("<I", payload, 1)[0] == zlib.crc32(stored):
            return payload[5:].decode("utf-8", "replace")
    return ""


def _entries(
    archive: zipfile.ZipFile, inner: list[_Inner], zip_name: str, workspace: _Workspace
) -> list[DropEntry]:
    entries: list[DropEntry] = []
    seen: set[str] = set()
    for item in inner:
        refusal = _refusal(item, seen)
        if refusal is None and item.path.endswith("/"):
            continue
        seen.add(item.path)
        entries.append(
            _unsafe(item, zip_name, *refusal)
            if refusal
            else _taken(archive, item, zip_name, workspace)
        )
    return entries


def _refusal(item: _Inner, seen: set[str]) -> tuple[Hazard, str] | None:
    return _path_refusal(item.path) or _content_refusal(item, seen)


def _path_refusal(path: str) -> tuple[Hazard, str] | None:
    if path.startswith(("/", "\\")) or _DRIVE.match(path):
        return "escape", "its name is an absolute path; not unpacked"
    if ".." in re.split(r"[/\\]", path):
        return "escape", "its name leads out of the folder ('..'); not unpacked"
    if len(path.encode("utf-8")) > MAX_NAME_BYTES:
        return "escape", f"its name is longer than {MAX_NAME_BYTES:,} bytes; not unpacked"
    if "\0" in path or any(part in ("", ".") for part in path.removesuffix("/").split("/")):
        return "escape", "its name is no path (an empty part or a null character); not unpacked"
    return None


def _content_refusal(item: _Inner, seen: set[str]) -> tuple[Hazard, str] | None:
    info = item.info
    kind = stat.S_IFMT(info.external_attr >> 16)
    if kind not in (0, stat.S_IFREG, stat.S_IFDIR):
        return "escape", "a link or device, not a file; not unpacked"
    if info.flag_bits & _IS_ENCRYPTED:
        return "encrypted", "encrypted; not unpacked: send it without a password"
    if item.path in seen:
        return "duplicate", "the zip holds this name twice; the first is taken, this one is not"
    if info.compress_type not in _METHODS:
        return "unsupported", "packed by a rare method; not unpacked: zip again the plain way"
    return None


def _taken(
    archive: zipfile.ZipFile, item: _Inner, zip_name: str, workspace: _Workspace
) -> DropEntry:
    """Unpack one entry and say what it is; clutter is named and not unpacked."""
    reason = clutter_reason(item.path, KEPT_EXTENSIONS)
    if reason:
        return _entry(item, zip_name, "clutter", reason)
    try:
        _write(archive, item, workspace)
    except OSError as error:
        raise InputError(
            f"{zip_name}: cannot be unpacked ({error.strerror}); make room where temporary files "
            "go (TMPDIR), or drop the folder instead of the zip"
        ) from error
    except _BROKEN as error:
        os.unlink(item.raw_path, dir_fd=workspace.descriptor)
        reason = f"damaged inside the zip ({error}); ask for the zip again"
        return _unsafe(item, zip_name, "damaged", reason)
    kind, reason = classify(item.path, lambda: head_of(str(workspace.path), item.raw_path))
    return _entry(item, zip_name, kind, reason + item.note)


def _opened(archive: zipfile.ZipFile, info: zipfile.ZipInfo) -> IO[bytes]:
    try:
        return archive.open(info)
    except OSError as error:  # the directory names a place before the file's start
        raise zipfile.BadZipFile(f"it is not where the directory says: {error.strerror}") from error


def _write(archive: zipfile.ZipFile, item: _Inner, workspace: _Workspace) -> None:
    written, info = 0, item.info
    flags = os.O_WRONLY | os.O_CREAT | os.O_EXCL | os.O_NOFOLLOW | os.O_CLOEXEC
    handle = os.open(item.raw_path, flags, 0o600, dir_fd=workspace.descriptor)
    with os.fdopen(handle, "wb") as sink, _opened(archive, info) as source:
        while block := source.read(_BLOCK_BYTES):
            written += len(block)
            if written > info.file_size:
                raise zipfile.BadZipFile("more comes out than its directory says")
            sink.write(block)
    if written != info.file_size:
        raise zipfile.BadZipFile(f"{written:,} of {info.file_size:,} bytes come out")


def _entry(item: _Inner, zip_name: str, kind: EntryKind, reason: str) -> DropEntry:
    return DropEntry(
        path=item.path,
        raw_path=item.raw_path,
        kind=kind,
        size_bytes=item.info.file_size,
        reason=reason,
        archive=zip_name,
    )


def _unsafe(item: _Inner, zip_name: str, hazard: Hazard, reason: str) -> DropEntry:
    return DropEntry(
        path=item.path,
        raw_path=item.raw_path,
        kind="unsafe",
        size_bytes=item.info.file_size,
        reason=reason,
        archive=zip_name,
        hazard=hazard,
    )
