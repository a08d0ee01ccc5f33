"""Drops made by hand: trees of files and zips, whole and broken."""

from __future__ import annotations

import os
import stat
import struct
import zipfile
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from pathlib import Path

from stemprep.intake import Scan, build_session, scan_drop
from stemprep.model.session import DropEntry, SourceFile
from stemprep.model.sheet import SessionSheet

SOUND = b"RIFF\x24\0\0\0WAVEfmt "
"""The first bytes of a WAV file; intake looks no further."""

SHARED = Path(__file__).parents[2].parent / "shared"


def tree(root: Path, files: Mapping[str, bytes] | list[str]) -> Path:
    """Write files below root; a list writes the first bytes of a WAV into each."""
    content = files if isinstance(files, Mapping) else dict.fromkeys(files, SOUND)
    root.mkdir(exist_ok=True)
    for path, data in content.items():
        target = root / path
        target.parent.mkdir(parents=True, exist_ok=True)
        target.write_bytes(data)
    return root


def scan(drop: Path, workspace: Path | None = None) -> Scan:
    """Scan a drop; zips are unpacked beside it where no workspace is given."""
    place = workspace or drop.parent / "unpacked"
    place.mkdir(exist_ok=True)
    return scan_drop(drop, place)


def by_path(found: Scan) -> dict[str, DropEntry]:
    return {entry.path: entry for entry in found.entries}


def kinds(found: Scan) -> dict[str, str]:
    return {entry.path: entry.kind for entry in found.entries}


def sources(drop: Path, sheet: SessionSheet | None = None) -> dict[str, SourceFile]:
    return {source.path: source for source in build_session(scan(drop), sheet).files}


def make_zip(path: Path, entries: list[tuple[zipfile.ZipInfo | str, bytes]]) -> Path:
    with zipfile.ZipFile(path, "w") as archive:
        for info, data in entries:
            archive.writestr(info, data)
    return path


def link_info(name: str) -> zipfile.ZipInfo:
    info = zipfile.ZipInfo(name)
    info.external_attr = (stat.S_IFLNK | 0o777) << 16
    info.create_system = 3
    return info


def patched(path: Path, old: bytes, new: bytes, count: int = -1) -> Path:
    """Replace bytes in a file by as many others."""
    assert len(old) == len(new)
    content = path.read_bytes()
    assert old in content
    path.write_bytes(content.replace(old, new, count))
    return path


def with_flags(path: Path, flags: int) -> Path:
    """Set the general-purpose bits of every entry (APPNOTE.TXT 4.3.7 and 4.3.12)."""
    content = bytearray(path.read_bytes())
    for signature, offset in ((b"PK\3\4", 6), (b"PK\1\2", 8)):
        at = content.find(signature)
        while at >= 0:
            struct.pack_into("<H", content, at + offset, flags)
            at = content.find(signature, at + 4)
    path.write_bytes(content)
    return path


@contextmanager
def without_rights() -> Iterator[None]:
    """Run as an ordinary account, which may not read everything, where we are root."""
    if os.geteuid() != 0:
        yield
        return
    os.seteuid(65534)
    try:
        yield
    finally:
        os.seteuid(0)
