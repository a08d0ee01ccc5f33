"""Listing a dropped folder: everything in it, nothing outside it, no link followed."""

from __future__ import annotations

import errno
import os
import stat
from collections.abc import Iterator, Set

from stemprep.errors import InputError
from stemprep.intake.kinds import HEAD_BYTES, classify
from stemprep.intake.names import display_path
from stemprep.intake.opening import open_folder, open_regular, special_kind
from stemprep.model.session import DropEntry, Hazard
from stemprep.naming import file_name, is_system_folder

MAX_ENTRIES = 100_000
MAX_DEPTH = 100


def list_folder(root: str) -> list[DropEntry]:
    """Every entry below root, in no particular order. Empty folders have no entry.

    Raises InputError when root itself cannot be listed, or holds more than 100,000 entries.
    """
    entries: list[DropEntry] = []
    waiting = [b""]
    while waiting:
        folder = waiting.pop()
        try:
            found = _listed(root, folder)
        except (OSError, InputError) as error:
            if not folder:
                raise InputError(_unlistable_root(root, error)) from error
            entries.append(_unlistable(folder, error))
            continue
        siblings = {os.fsdecode(name) for name, _ in found}
        for name, status in found:
            raw = folder + b"/" + name if folder else name
            if status is not None and stat.S_ISDIR(status.st_mode):
                waiting.append(raw)
            else:
                entries.append(_entry(root, raw, status, siblings))
        if len(entries) + len(waiting) > MAX_ENTRIES:
            raise InputError(
                f"{_shown(root)}: more than {MAX_ENTRIES:,} entries; drop one session at a time"
            )
    return entries


def list_file(root: str, name: bytes) -> DropEntry:
    """The entry of one file that lies in root. Raises OSError where it cannot be examined."""
    return _entry(root, name, os.lstat(os.path.join(os.fsencode(root), name)), frozenset())  # noqa: PTH118 - bytes


def _listed(root: str, folder: bytes) -> list[tuple[bytes, os.stat_result | None]]:
    if folder.count(b"/") >= MAX_DEPTH:
        raise InputError(f"it lies more than {MAX_DEPTH} folders deep")
    with open_folder(root, folder) as handle, os.scandir(handle) as listing:
        return [(os.fsencode(item.name), _status(item)) for item in _first(listing)]


def _first(listing: Iterator[os.DirEntry[str]]) -> Iterator[os.DirEntry[str]]:
    for number, item in enumerate(listing):
        if number > MAX_ENTRIES:  # one too many, so that the sum above tells
            return
        yield item


def _status(item: os.DirEntry[str]) -> os.stat_result | None:
    try:
        return item.stat(follow_symlinks=False)
    except OSError:
        return None


def _entry(root: str, raw: bytes, status: os.stat_result | None, siblings: Set[str]) -> DropEntry:
    if status is None:
        return _unsafe(raw, "unlistable", "cannot be examined; check the permissions of its folder")
    if stat.S_ISLNK(status.st_mode):
        return _link(root, raw)
    special = special_kind(status.st_mode)
    if special:
        return _unsafe(raw, "special", f"{special}, not a file; never opened")
    path = display_path(raw)
    try:
        kind, reason = classify(path, lambda: head_of(root, raw), siblings)
    except InputError as error:
        return _unsafe(raw, "unlistable", str(error).removeprefix(f"{path}: "))
    return DropEntry(path=path, raw_path=raw, kind=kind, size_bytes=status.st_size, reason=reason)


def head_of(root: str, raw: bytes) -> bytes:
    """Return the first bytes of one file; InputError where it cannot be read."""
    with open_regular(root, raw) as stream:
        try:
            return stream.read(HEAD_BYTES)
        except OSError as error:
            raise InputError(f"{display_path(raw)}: cannot be read ({error.strerror})") from error


def _link(root: str, raw: bytes) -> DropEntry:
    """Describe a link, told by where it leads; its target is looked up, never opened."""
    top = os.fsencode(root)
    full = os.path.join(top, raw)  # noqa: PTH118 - bytes, which pathlib does not take
    if _has_no_end(full):
        return _unsafe(raw, "loop", "link to itself or through too many links; not followed")
    target = os.path.realpath(full)
    prefix = top.rstrip(b"/") + b"/"
    if target != top and not target.startswith(prefix):
        return _unsafe(raw, "outside", "link that leads out of the drop; not followed")
    inner = display_path(target[len(prefix) :])
    if os.path.islink(target) or full.startswith(target.rstrip(b"/") + b"/"):  # noqa: PTH114
        return _unsafe(raw, "loop", "link to a folder it lies in or to itself; not followed")
    if not os.path.lexists(target):
        return _unsafe(raw, "dangling", f"link to {inner}, which is not in the drop; not followed")
    return _unsafe(raw, "inside-link", f"link to {inner} inside the drop; {inner} itself is taken")


def _has_no_end(full: bytes) -> bool:
    """Tell whether the system gives up on a link: a loop, or more than some 40 links in a row.

    Resolving such a chain by name takes a call a link, and a drop may hold a hundred thousand.
    """
    try:
        os.stat(full)  # noqa: PTH116 - bytes, which pathlib does not take
    except OSError as error:
        return error.errno == errno.ELOOP
    return False


def _unsafe(raw: bytes, hazard: Hazard, reason: str) -> DropEntry:
    return DropEntry(
        path=display_path(raw), raw_path=raw, kind="unsafe", reason=reason, hazard=hazard
    )


def _unlistable(folder: bytes, error: OSError | InputError) -> DropEntry:
    why = error.strerror if isinstance(error, OSError) else str(error)
    path = display_path(folder)
    if is_system_folder(file_name(path)):
        reason = f"a folder the system makes by itself; not listed ({why})"
        return DropEntry(path=path, raw_path=folder, kind="clutter", reason=reason)
    reason = f"a folder that cannot be listed ({why}); what lies in it is not known"
    return _unsafe(folder, "unlistable", reason)


def _unlistable_root(root: str, error: OSError | InputError) -> str:
    why = error.strerror if isinstance(error, OSError) else str(error)
    return f"{_shown(root)}: cannot be listed ({why}); give read permission on the folder"


def _shown(root: str) -> str:
    return display_path(os.fsencode(root))
