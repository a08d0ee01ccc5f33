"""A folder of packages, and the log that lies beside them."""

from __future__ import annotations

import csv
import io
import os
from collections.abc import Iterator, Sequence
from contextlib import suppress
from pathlib import Path

from stemprep.errors import DeliveryError
from stemprep.model.csv_table import csv_table, plain_cell
from stemprep.model.shelf import LoggedCheck, ShelfEntry
from stemprep.package.faults import told_as_delivery_error

LOG_NAME = "fixity-log.csv"
MAX_LOG_BYTES = 64 << 20
MAX_DEPTH = 4
MAX_FOLDERS = 100_000
COLUMNS = (
    "checked_at", "package", "state", "files", "size_bytes", "seal", "damages", "first_damage",
    "copy", "copy_state", "stemprep_version",
)  # fmt: skip


def is_package(folder: Path) -> bool:
    """Tell a package, or what is left of one, from a folder of packages."""
    return any((folder / name).exists() for name in ("bagit.txt", "data", "manifest-sha256.txt"))


def packages_of(shelf: Path) -> list[Path]:
    """Packages in a folder and the folders in it, up to four deep, sorted; zips of packages too.

    Hidden folders and links are not looked into; a package is not looked into for more. Raises
    DeliveryError where the shelf cannot be listed or holds more than 100,000 folders.
    """
    with told_as_delivery_error("listing the shelf", shelf, "nothing was checked"):
        found = sorted(_found(shelf, 0, [MAX_FOLDERS]), key=os.fsencode)
    return found


def _found(folder: Path, depth: int, left: list[int]) -> Iterator[Path]:
    with os.scandir(folder) as listing:
        items = [item for item in listing if not item.name.startswith(".")]
    for item in items:
        path = folder / item.name
        if item.is_file(follow_symlinks=False) and path.suffix.lower() == ".zip":
            yield path
        elif item.is_dir(follow_symlinks=False):
            left[0] -= 1
            if left[0] < 0:
                raise DeliveryError(f"{folder}: more than {MAX_FOLDERS:,} folders; name fewer")
            if is_package(path):
                yield path
            elif depth + 1 < MAX_DEPTH:
                with suppress(PermissionError):
                    yield from _found(path, depth + 1, left)


def read_log(log: Path) -> dict[str, LoggedCheck]:
    """The last check of every package by its name; nothing where there is no log.

    Lines that are not as they were written are passed over. Raises DeliveryError for a log that
    cannot be read, or has more than 64 MiB.
    """
    with told_as_delivery_error("reading the log", log, "nothing was checked"):
        try:
            descriptor = os.open(log, os.O_RDONLY | os.O_NOFOLLOW | os.O_NONBLOCK | os.O_CLOEXEC)
        except FileNotFoundError:
            return {}
        with open(descriptor, "rb") as stream:  # noqa: PTH123  # a descriptor
            content = stream.read(MAX_LOG_BYTES + 1)
    if len(content) > MAX_LOG_BYTES:
        raise DeliveryError(
            f"{log}: more than {MAX_LOG_BYTES >> 20} MiB; move it aside and begin a new one"
        )
    last: dict[str, LoggedCheck] = {}
    with suppress(csv.Error):
        for row in csv.DictReader(io.StringIO(content.decode("utf-8", "replace"), newline="")):
            values = [row.get(column) for column in ("checked_at", "package", "state", "seal")]
            if all(isinstance(value, str) for value in values):
                checked_at, package, state, seal = (plain_cell(str(value)) for value in values)
                last[package] = LoggedCheck(
                    checked_at=checked_at, package=package, state=state, seal=seal
                )
    return last


def append_log(
    log: Path, entries: Sequence[ShelfEntry], checked_at: str, stemprep_version: str
) -> None:
    """Add one line a package to the log, on the disk when this returns; nothing is ever changed.

    Raises DeliveryError where the log is a link or cannot be written.
    """
    flags = os.O_RDWR | os.O_CREAT | os.O_APPEND | os.O_NOFOLLOW | os.O_CLOEXEC
    text = csv_table(COLUMNS, [_row(entry, checked_at, stemprep_version) for entry in entries])
    with told_as_delivery_error("writing the log", log, "the check itself is told above"):
        descriptor = os.open(log, flags, 0o644)
        with open(descriptor, "rb+", buffering=0) as stream:  # noqa: PTH123  # a descriptor
            size_bytes = os.fstat(descriptor).st_size
            lines = text if size_bytes == 0 else text.split("\r\n", 1)[1]
            if size_bytes and os.pread(descriptor, 1, size_bytes - 1) != b"\n":
                lines = f"\r\n{lines}"  # the line before was cut off
            stream.write(lines.encode("utf-8"))
            os.fsync(descriptor)


def _row(entry: ShelfEntry, checked_at: str, stemprep_version: str) -> list[object]:
    result = entry.verification
    damages = result.damages
    return [
        checked_at,
        entry.name,
        entry.state,
        result.files,
        result.size_bytes,
        result.tag_manifest_sha256 or "",
        len(damages),
        f"{damages[0].path}: {damages[0].message}" if damages else "",
        "" if entry.copy is None else entry.copy.place,
        "" if entry.copy is None else entry.copy.state,
        stemprep_version,
    ]
