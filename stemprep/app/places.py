"""Where results may go: never into the drop, and a report file only where one can lie."""

from __future__ import annotations

import os
import stat
from contextlib import suppress
from pathlib import Path

from stemprep.errors import DeliveryError, UsageError


def refuse_inside_drop(place: Path, drop: Path, what: str) -> None:
    """Raise UsageError when ``place`` is the drop or lies inside it (links resolved)."""
    if _is_inside(place, drop):
        raise UsageError(
            f"{what} {place} lies inside the drop {drop}; nothing is ever written into a drop: "
            "name a place outside it"
        )


def refuse_inside_package(place: Path, package: Path, what: str = "the report") -> None:
    """Raise UsageError when something would be written into a package that was delivered."""
    if _is_inside(place, package):
        raise UsageError(
            f"{what} {place} lies inside the package {package}; nothing is ever written into a "
            "package: name a place outside it"
        )


def _is_inside(place: Path, folder: Path) -> bool:
    resolved, inside = place.resolve(), folder.resolve()
    ways = (resolved, *resolved.parents)
    return inside in ways or any(_is_same(way, inside) for way in ways)


def _is_same(way: Path, folder: Path) -> bool:
    """Tell whether two names are one folder, as a second mount or a disk without case has it."""
    try:
        return way.samefile(folder)
    except OSError:
        return False


def refuse_destination(destination: Path, drop: Path) -> None:
    """Raise UsageError inside the drop, DeliveryError where there is no folder to write into."""
    refuse_inside_drop(destination, drop, "the destination")
    if os.path.exists(destination) and not os.path.isdir(destination):  # noqa: PTH110, PTH112
        raise DeliveryError(f"{destination}: is not a folder; name a folder to deliver into")


def write_report_file(path: Path, text: str) -> None:
    """Write a report beside the work; DeliveryError tells why it could not be written."""
    try:
        _give_up_shared_name(path.resolve())
        path.write_text(text, encoding="utf-8")
    except OSError as error:
        raise DeliveryError(
            f"{path}: the report could not be written: {error.strerror}; "
            "name a file in a folder that exists and may be written to"
        ) from error


def _give_up_shared_name(path: Path) -> None:
    """Remove the name of a file that has other names: by a hard link it may be an original.

    Its content stays under the other name; the report then becomes a file of its own.
    """
    with suppress(FileNotFoundError, NotADirectoryError):
        status = path.stat()
        if stat.S_ISREG(status.st_mode) and status.st_nlink > 1:
            path.unlink()
