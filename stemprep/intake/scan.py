"""From a dropped folder, zip or bare audio file to a list of everything in it."""

from __future__ import annotations

import os
import stat
from collections import Counter
from collections.abc import Iterable
from dataclasses import dataclass, replace
from pathlib import Path

from stemprep.errors import InputError, SpecError
from stemprep.intake.archive import unpack
from stemprep.intake.folder import list_file, list_folder
from stemprep.intake.names import display_path, folders_of
from stemprep.intake.opening import open_regular
from stemprep.intake.zip_directory import is_zip
from stemprep.model.session import DropEntry
from stemprep.naming import file_name

SHEET_NAMES = ("session.yaml", "session.yml")
MAX_SHEET_BYTES = 1_000_000
MAX_UNPACKED_BYTES = 64 << 30


@dataclass(frozen=True, slots=True, kw_only=True)
class Scan:
    """What lies in a drop.

    name:    of the folder, or of the zip or bare file without its extension.
    root:    absolute folder that raw paths are relative to (for a zip: where it was unpacked; for
             a bare file: the folder that it lies in).
    archive: file name of the zip; None for a folder or a bare file.
    entries: everything found, sorted by raw path.
    """

    name: str
    root: str
    archive: str | None
    entries: tuple[DropEntry, ...]

    @property
    def sheet(self) -> DropEntry | None:
        """The session sheet's entry; None where there is none."""
        return next((entry for entry in self.entries if entry.kind == "sheet"), None)

    @property
    def sheet_folder(self) -> str:
        """The folder that the session sheet lies in; "" at the drop's top or without a sheet."""
        return "/".join(folders_of(self.sheet.path)) if self.sheet else ""


def scan_drop(
    drop: Path,
    workspace: Path | None,
    max_unpacked_bytes: int = MAX_UNPACKED_BYTES,
    *,
    is_link_followed: bool = True,
) -> Scan:
    """List a folder, or unpack a zip into workspace and list that; a bare file is a list of one.

    workspace: an empty folder outside the drop; used for a zip only, which needs one.
    is_link_followed: a drop that is itself a link is what the link leads to; else it is refused.
    Raises InputError for a drop that is missing, cannot be listed, or is neither folder nor file,
    and for a disk without room to unpack. A zip that cannot be read gives one unsafe entry.
    """
    shown = display_path(os.fsencode(drop))
    try:
        root = drop.resolve() if is_link_followed else drop.parent.resolve() / drop.name
        mode = root.lstat().st_mode
    except (OSError, RuntimeError, ValueError) as error:
        raise InputError(
            f"{shown}: nothing can be read there ({_why(error)}); name a folder of audio or a zip"
        ) from error
    if stat.S_ISDIR(mode):
        return _folder_scan(root)
    if stat.S_ISREG(mode) and _is_zip(root):
        if workspace is not None:
            return _zip_scan(root, workspace, max_unpacked_bytes)
    elif stat.S_ISREG(mode):
        return _file_scan(root)
    raise InputError(f"{shown}: neither a folder nor a file; name a folder of audio or a zip")


def read_sheet(scan: Scan) -> bytes | None:
    """Return the session sheet's content; None where the drop holds none.

    Raises SpecError for a sheet over 1 MB and InputError for one that cannot be opened.
    """
    sheet = scan.sheet
    if sheet is None:
        return None
    with open_regular(scan.root, sheet.raw_path) as stream:
        content = stream.read(MAX_SHEET_BYTES + 1)
    if len(content) > MAX_SHEET_BYTES:
        raise SpecError(
            (f"{sheet.path}:1:1: over {MAX_SHEET_BYTES:,} bytes; a sheet holds at most that",)
        )
    return content


def _folder_scan(root: Path) -> Scan:
    name = display_path(os.fsencode(root.name)) or "drop"
    entries = _with_distinct_paths(list_folder(str(root)))
    return Scan(name=name, root=str(root), archive=None, entries=_with_sheet(entries, top=None))


def _file_scan(path: Path) -> Scan:
    entry = list_file(str(path.parent), os.fsencode(path.name))
    name = display_path(os.fsencode(path.stem))
    return Scan(name=name, root=str(path.parent), archive=None, entries=(entry,))


def _is_zip(path: Path) -> bool:
    with open_regular(str(path.parent), os.fsencode(path.name)) as stream:
        return is_zip(display_path(os.fsencode(path.name)), stream.read(4))


def _zip_scan(path: Path, workspace: Path, max_bytes: int) -> Scan:
    name = display_path(os.fsencode(path.name))
    with open_regular(str(path.parent), os.fsencode(path.name)) as stream:
        size_bytes = os.fstat(stream.fileno()).st_size
        entries = unpack(stream, name, size_bytes, workspace, max_bytes)
    entries = sorted(entries, key=lambda entry: entry.raw_path)
    return Scan(
        name=display_path(os.fsencode(path.stem)),
        root=str(workspace.resolve()),
        archive=name,
        entries=_with_sheet(entries, top=_single_top(entries)),
    )


def _why(error: Exception) -> str:
    return error.strerror or str(error) if isinstance(error, OSError) else str(error)


def _with_distinct_paths(entries: Iterable[DropEntry]) -> list[DropEntry]:
    r"""Sorted by raw path, with paths that differ even where a name holds ``\xFF`` as letters.

    Such a name would read like one with the byte; its backslashes are then written ``\x5C``.
    """
    ordered = sorted(entries, key=lambda entry: entry.raw_path)
    while True:
        shared = {path for path, n in Counter(entry.path for entry in ordered).items() if n > 1}
        if not shared:
            return ordered
        ordered = [
            replace(entry, path=entry.path.replace("\\", "\\x5C"))
            if entry.path in shared and entry.path.encode("utf-8") == entry.raw_path
            else entry
            for entry in ordered
        ]


def _single_top(entries: Iterable[DropEntry]) -> str | None:
    """Find the one top folder that all of a zip lies in, clutter and refused entries aside."""
    tops = {
        folders_of(entry.path)[:1] for entry in entries if entry.kind not in ("clutter", "unsafe")
    }
    only = tops.pop() if len(tops) == 1 else ()
    return only[0] if only else None


def _with_sheet(entries: list[DropEntry], top: str | None) -> tuple[DropEntry, ...]:
    """Mark the sheet among the entries; ``session.yaml`` goes before ``session.yml``."""
    places: list[tuple[str, ...]] = [(), (top,)] if top else [()]
    found = [
        (
            places.index(folders_of(entry.path)),
            SHEET_NAMES.index(file_name(entry.path).lower()),
            entry,
        )
        for entry in entries
        if entry.kind == "document"
        and folders_of(entry.path) in places
        and file_name(entry.path).lower() in SHEET_NAMES
    ]
    if not found:
        return tuple(entries)
    sheet = min(found, key=lambda item: (item[0], item[1], item[2].raw_path))[2]
    marked = replace(sheet, kind="sheet", reason="the session sheet")
    return tuple(marked if entry is sheet else entry for entry in entries)
