"""Where results may go: never into the drop, and a report file only where one can lie."""

from __future__ import annotations

import errno
import os
from pathlib import Path

from stemprep.app.whole_files import replace_file, try_to_make_folder, try_to_replace
from stemprep.errors import DeliveryError, UsageError

_ADVICE = {
    errno.ENOSPC: "the disk is full: free space there, or name a file on another one",
    errno.EDQUOT: "the disk quota is used up: free space there, or name a file elsewhere",
    errno.EFBIG: "files may not be as large here (ulimit -f): raise that, or name a file elsewhere",
    errno.ENOENT: "name a file in a folder that exists",
    errno.ENOTDIR: "a file stands where its folder would be: name a file in a folder",
    errno.EISDIR: "name a file, not a folder",
    errno.EACCES: "name a file in a folder that may be written to",
    errno.EPERM: "name a file in a folder that may be written to",
    errno.EROFS: "the disk is read-only: name a file elsewhere",
    errno.ENAMETOOLONG: "give the file a shorter name",
}


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
    from stemprep.package import told_as_delivery_error  # checks deliver nothing

    with told_as_delivery_error("writing into the destination", destination):
        try_to_make_folder(destination)


def require_report_place(path: Path) -> None:
    """Raise DeliveryError where a report could not be written; before the work that it tells of."""
    try:
        try_to_replace(path)
    except OSError as error:
        raise _report_fault(path, error, "nothing was done yet") from error


def write_report_file(path: Path, text: str) -> None:
    """Write a report beside the work, whole or not at all; DeliveryError tells why it could not."""
    try:
        replace_file(path, text)
    except OSError as error:
        kept = "the report of before is kept" if path.is_file() else "there is no such file"
        raise _report_fault(path, error, kept) from error


def _report_fault(path: Path, error: OSError, outcome: str) -> DeliveryError:
    advice = _ADVICE.get(error.errno or 0, "put that right, or name a file elsewhere")
    return DeliveryError(
        f"{path}: the report could not be written: {error.strerror}; {advice}; {outcome}"
    )
