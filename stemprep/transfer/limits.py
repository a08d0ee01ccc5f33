"""What a place can hold, asked before anything is written there.

Free space, the largest file, whether letter case parts two names, and which characters a name may
hold. File systems are known by what the system mounted there; what none of them tells is not known.
"""

from __future__ import annotations

import os
import re
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path

from stemprep.naming import collision_key, portability_problems
from stemprep.transfer.remote import Remote
from stemprep.units import size_in_words

MOUNTS = Path("/proc/self/mounts")
FAT_LARGEST_BYTES = (1 << 32) - 1
"""Sizes are 32 bits wide (Microsoft FAT specification, section 6, DIR_FileSize)."""
S3_LARGEST_BYTES = 5 << 40
"""5 TiB an object (Amazon S3 user guide, uploading objects)."""
S3_NAME_BYTES = 1024
"""Bytes of an object's whole name (Amazon S3 user guide, object key names)."""
WINDOWS_PATH_CHARACTERS = 259
"""MAX_PATH is 260 with the closing zero (Microsoft, maximum path length limitation)."""

_FAT = frozenset({"vfat", "msdos", "fat", "umsdos"})
_WINDOWS_LIKE = _FAT | {"exfat", "ntfs", "ntfs3", "fuseblk", "cifs", "smb3", "smbfs"}
_FOLDING = _WINDOWS_LIKE | {"hfs", "hfsplus", "apfs"}
_OCTAL = re.compile(r"\\([0-7]{3})")


@dataclass(frozen=True, slots=True, kw_only=True)
class Limits:
    """What a place can hold; None where nobody tells.

    shown:       the place as it may be printed.
    file_system: what the system calls it; "" where that is not known.
    disk:        tells two places on one disk; "" where that is not known.
    is_case_folded: names that differ only in letter case are one name there.
    is_name_restricted: names are held to what Windows allows.
    path_bytes:  of the place's own path, on which the package's paths follow.
    """

    shown: str
    file_system: str = ""
    disk: str = ""
    free_bytes: int | None = None
    largest_bytes: int | None = None
    is_case_folded: bool = False
    is_name_restricted: bool = False
    name_bytes: int | None = None
    path_bytes: int | None = None


def limits_of_folder(folder: Path, mounts: str | None = None) -> Limits:
    """Ask a folder, or the nearest that exists above it. Raises OSError.

    mounts: text of the system's table of mounts; None: the system's own, where it has one.
    """
    there = folder.absolute()
    while not there.exists() and there != there.parent:
        there = there.parent
    there = there.resolve()
    disk = os.statvfs(there)
    kind = _file_system(there, _mounts() if mounts is None else mounts)
    return Limits(
        shown=str(folder),
        file_system=kind,
        disk=str(there.stat().st_dev),
        free_bytes=disk.f_bavail * disk.f_frsize if disk.f_blocks else None,
        largest_bytes=FAT_LARGEST_BYTES if kind in _FAT else None,
        is_case_folded=kind in _FOLDING or _folds(there),
        is_name_restricted=kind in _WINDOWS_LIKE,
        name_bytes=disk.f_namemax or None,
        path_bytes=len(os.fsencode(there)),
    )


def limits_of_remote(remote: Remote) -> Limits:
    """Ask a store."""
    address = remote.address
    if address.kind == "s3":
        return Limits(
            shown=address.shown,
            file_system="objects",
            largest_bytes=S3_LARGEST_BYTES,
            path_bytes=len(address.path.encode()),
        )
    return Limits(shown=address.shown, free_bytes=remote.free_bytes(address.path))


def _mounts() -> str:
    try:
        return MOUNTS.read_text("utf-8", "surrogateescape")
    except OSError:
        return ""  # not Linux


def _file_system(folder: Path, mounts: str) -> str:
    """What is mounted nearest above a folder; of two at one place the later covers the other."""
    best, kind = -1, ""
    for line in mounts.splitlines():
        fields = line.split()
        if len(fields) < 3:
            continue
        point = _OCTAL.sub(lambda match: chr(int(match[1], 8)), fields[1])
        if _lies_below(folder, point) and len(point) >= best:
            best, kind = len(point), fields[2]
    return kind


def _lies_below(folder: Path, point: str) -> bool:
    return str(folder) == point or str(folder).startswith(point.rstrip("/") + "/")


def _folds(folder: Path) -> bool:
    """Tell whether a folder answers to its name in the other letter case; nothing is written."""
    other = folder.parent / folder.name.swapcase()
    try:
        return other.name != folder.name and other.samefile(folder)
    except OSError:
        return False


def has_no_room(limits: Limits, total: int) -> bool:
    """Tell whether a place has less room than ``total`` bytes; one that does not say has it."""
    return limits.free_bytes is not None and total > limits.free_bytes


def refusals(limits: Limits, files: Mapping[str, int], name: str, total: int) -> Iterator[str]:
    """Say in words what keeps a package out of a place, and what to do; nothing where it fits.

    files: paths in the package and expected sizes, bytes; name: of the package; total: bytes that
    will be written on that disk, other copies counted.
    """
    where = limits.shown
    if has_no_room(limits, total):
        free = size_in_words(limits.free_bytes or 0)
        yield (
            f"{where}: {size_in_words(total)} needed, {free} free; "
            "free space there or deliver elsewhere"
        )
    largest = max(files, key=lambda path: files[path], default=None)
    if largest is not None and limits.largest_bytes and files[largest] > limits.largest_bytes:
        yield (
            f"{where}: {largest} has {size_in_words(files[largest])}, and that disk"
            f"{_kind_words(limits)} holds files of at most {size_in_words(limits.largest_bytes)}; "
            "use a disk formatted with exFAT, NTFS or ext4, or deliver shorter files: nothing is "
            "ever split"
        )
    yield from _name_refusals(limits, files, name)


def _kind_words(limits: Limits) -> str:
    return f" ({limits.file_system})" if limits.file_system else ""


def _name_refusals(limits: Limits, files: Mapping[str, int], name: str) -> Iterator[str]:
    if limits.is_case_folded:
        seen: dict[str, str] = {}
        for path in sorted(files):
            other = seen.setdefault(collision_key(path), path)
            if other != path:
                yield (
                    f"{limits.shown}: {path} and {other} are one name on that disk"
                    f"{_kind_words(limits)}; rename one of them, or deliver to another disk"
                )
                break
    restricted = (
        path for path in files if limits.is_name_restricted and portability_problems(path)
    )
    first = next(restricted, None)
    if first is not None:
        why = "; ".join(portability_problems(first))
        yield (
            f"{limits.shown}: that disk{_kind_words(limits)} cannot hold the name {first} ({why}); "
            "rename the file, use a spec with portable names, or deliver to another disk"
        )
    longest = max(files, key=lambda path: len(path.encode()), default="")
    is_store = limits.file_system == "objects"
    whole = (limits.path_bytes or 0) + len(f"/{name}/{longest}".encode())
    if is_store and whole > S3_NAME_BYTES:
        yield (
            f"{limits.shown}: the name of {longest} would have {whole} bytes there, "
            f"{S3_NAME_BYTES} are allowed; deliver to a shorter address, or shorten the names"
        )


def cautions(limits: Limits, files: Mapping[str, int], name: str) -> Iterator[str]:
    """Say in words what fits here and may not fit where the package is copied to."""
    longest = max(files, key=len, default="")
    whole = len(f"{limits.shown}/{name}/{longest}")
    if limits.file_system != "objects" and whole > WINDOWS_PATH_CHARACTERS:
        yield (
            f"{limits.shown}: the longest path has {whole} characters; many Windows programs stop "
            f"at {WINDOWS_PATH_CHARACTERS}: unpack or copy it near the top of a disk there"
        )
