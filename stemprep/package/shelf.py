"""A folder of packages, and the log that lies beside them."""

from __future__ import annotations

import csv
import os
import re
from collections.abc import Iterator, Sequence
from contextlib import suppress
from dataclasses import replace
from pathlib import Path
from typing import BinaryIO

from stemprep.errors import DeliveryError
from stemprep.model.csv_table import csv_table, plain_cell
from stemprep.model.package import Verification
from stemprep.model.shelf import CONFIRMED_STATES, LoggedCheck, ShelfEntry
from stemprep.package.faults import told_as_delivery_error

LOG_NAME = "fixity-log.csv"
_APPENDING = os.O_RDWR | os.O_CREAT | os.O_APPEND | os.O_NOFOLLOW | os.O_CLOEXEC
MAX_LOG_BYTES = 64 << 20
MAX_LINE_BYTES = 64 << 10
MAX_DEPTH = 4
MAX_FOLDERS = 100_000
COLUMNS = (
    "checked_at", "package", "state", "files", "size_bytes", "seal", "damages", "first_damage",
    "copy", "copy_state", "stemprep_version",
)  # fmt: skip
_LEAST_CELLS = COLUMNS.index("first_damage") + 1
_MOMENT = re.compile(r"\d{4}-\d\d-\d\dT\d\d:\d\d:\d\dZ")


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
    """What the log says of every package by its name; nothing where there is no log.

    Every line stands for itself: what is not as it was written is passed over, and hides no other.
    Raises DeliveryError for a log that cannot be read, has more than 64 MiB, or names more packages
    than a shelf can have.
    """
    with told_as_delivery_error("reading the log", log, "nothing was checked"):
        try:
            descriptor = os.open(log, os.O_RDONLY | os.O_NOFOLLOW | os.O_NONBLOCK | os.O_CLOEXEC)
        except FileNotFoundError:
            return {}
        with open(descriptor, "rb") as stream:  # noqa: PTH123  # a descriptor
            if os.fstat(descriptor).st_size > MAX_LOG_BYTES:
                raise DeliveryError(
                    f"{log}: more than {MAX_LOG_BYTES >> 20} MiB; move it aside and begin a new one"
                )
            known: dict[str, LoggedCheck] = {}
            for check in _logged_checks(stream):
                known[check.package] = _after(known.get(check.package), check)
                if len(known) > MAX_FOLDERS:
                    raise DeliveryError(
                        f"{log}: names more than {MAX_FOLDERS:,} packages; move it aside and begin "
                        "a new one"
                    )
    return {name: check for name, check in known.items() if check.state != "removed"}


def _logged_checks(stream: BinaryIO) -> Iterator[LoggedCheck]:
    left = MAX_LOG_BYTES
    while left > 0 and (line := stream.readline(MAX_LINE_BYTES)):
        left -= len(line)
        with suppress(csv.Error):
            for cells in csv.reader([line.decode("utf-8", "replace").rstrip("\r\n")]):
                if len(cells) >= _LEAST_CELLS and _MOMENT.fullmatch(cells[0]):
                    row = dict(zip(COLUMNS, map(plain_cell, cells), strict=False))
                    yield LoggedCheck(
                        checked_at=row["checked_at"],
                        package=row["package"],
                        state=row["state"],
                        seal=row["seal"],
                        damage=row["first_damage"],
                    )


def logged_name(name: str) -> str:
    """A package's name as the log has it: on one line, whatever it holds."""
    return name.replace("\r", "\\r").replace("\n", "\\n")


def _after(before: LoggedCheck | None, check: LoggedCheck) -> LoggedCheck:
    """A check with what the lines before it have left open: a seal, a damage."""
    if check.state in CONFIRMED_STATES:
        return replace(check, known_seal=check.seal, known_at=check.checked_at, damage="")
    if before is None or not before.known_seal:
        check = replace(check, known_seal=check.seal, known_at=check.checked_at)
    else:
        check = replace(check, known_seal=before.known_seal, known_at=before.known_at)
    if check.state in ("damaged", "incomplete"):
        return replace(check, damaged_at=check.checked_at)
    if before is None:
        return replace(check, damage="")
    return replace(check, damaged_at=before.damaged_at, damage=before.damage)


def append_confirmation(
    log: Path, name: str, verification: Verification | None, moment: str, by: str, version: str
) -> None:
    """Add the line by which a person answers for what lies there now, or for its being gone.

    verification: None for a package that was taken away. Raises DeliveryError as ``append_log``.
    """
    row: list[object] = [
        moment,
        logged_name(name),
        "removed" if verification is None else "confirmed",
        "" if verification is None else verification.files,
        "" if verification is None else verification.size_bytes,
        "" if verification is None else verification.tag_manifest_sha256 or "",
        0,
        f"confirmed by {by}",
        "",
        "",
        version,
    ]
    _append(log, [row])


def require_log_place(log: Path) -> None:
    """Raise DeliveryError where nothing could be added to the log; a new one is begun, empty."""
    with told_as_delivery_error("writing the log", log, "nothing was checked"):
        os.close(os.open(log, _APPENDING, 0o644))


def append_log(
    log: Path, entries: Sequence[ShelfEntry], checked_at: str, stemprep_version: str
) -> None:
    """Add one line a package to the log, on the disk when this returns; nothing is ever changed.

    All lines or none: what a disk took of them before it was full is taken back. Raises
    DeliveryError where the log is a link or cannot be written.
    """
    _append(log, [_row(entry, checked_at, stemprep_version) for entry in entries])


def _append(log: Path, rows: Sequence[Sequence[object]]) -> None:
    text = csv_table(COLUMNS, rows)
    with told_as_delivery_error("writing the log", log, "what was found is not in it"):
        descriptor = os.open(log, _APPENDING, 0o644)
        try:
            size_bytes = os.fstat(descriptor).st_size
            lines = text if size_bytes == 0 else text.split("\r\n", 1)[1]
            if size_bytes and os.pread(descriptor, 1, size_bytes - 1) != b"\n":
                lines = f"\r\n{lines}"  # the line before was cut off
            _write_all(descriptor, lines.encode("utf-8"), size_bytes)
        finally:
            os.close(descriptor)


def _write_all(descriptor: int, content: bytes, size_bytes: int) -> None:
    """Add all to a file of some size, or nothing; on the disk when this returns."""
    rest = memoryview(content)
    try:
        while rest:
            rest = rest[os.write(descriptor, rest) :]
        os.fsync(descriptor)
    except OSError:
        os.ftruncate(descriptor, size_bytes)
        raise


def _row(entry: ShelfEntry, checked_at: str, stemprep_version: str) -> list[object]:
    result = entry.verification
    damages = result.damages
    return [
        checked_at,
        logged_name(entry.name),
        entry.logged_state,
        result.files,
        result.size_bytes,
        entry.seal or "",
        max(result.damage_count, len(damages)),
        logged_name(f"{damages[0].path}: {damages[0].message}") if damages else _remark(entry),
        " | ".join(copy.place for copy in entry.copies),
        " | ".join(copy.state for copy in entry.copies),
        stemprep_version,
    ]


def _remark(entry: ShelfEntry) -> str:
    """What a line says of a whole package that is not simply the one from before."""
    last = entry.last
    if last is None:
        return ""
    if entry.is_exchanged:
        return f"its seal is not {last.known_seal}, known since {last.known_at}"
    return f"whole again, damaged on {last.damaged_at}" if entry.is_whole_again else ""
