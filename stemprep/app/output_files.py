"""Where results may go, and files that appear there whole or not at all."""

from __future__ import annotations

import errno
import os
import secrets
import stat
from collections.abc import Iterable, Iterator
from contextlib import contextmanager, suppress
from pathlib import Path

from stemprep.descending import FOLDER
from stemprep.errors import DeliveryError, UsageError

_TRIAL = bytes(4096)
"""A block: a disk that is full refuses it, where it would still take an empty file."""


def write_whole(
    path: Path,
    content: bytes | Iterable[bytes],
    *,
    folder: int | None = None,
    hidden: str = "",
    mode: int = 0o644,
    is_mode_exact: bool = False,
) -> None:
    """Write a file so that its name never leads to half of it, not even after a power cut.

    Written under a hidden name, fsynced, renamed, and the folder fsynced. Whatever has the hidden
    name is removed and never opened: it may be a pipe, or another name of somebody's file. A file
    that had the name keeps its content under its other names, and as a whole where this fails.

    folder: descriptor of the folder that it lies in, whatever its path leads to; None: by path.
    hidden: the hidden name; empty: the name with a dot before it.
    mode:   permissions, less what the umask takes away unless they are exact.
    Raises OSError.
    """
    hidden = hidden or f".{path.name}"
    with folder_of(path, folder) as inside:
        try:
            pieces = (content,) if isinstance(content, bytes) else content
            _write_hidden(inside, hidden, pieces, mode, is_mode_exact=is_mode_exact)
            os.rename(hidden, path.name, src_dir_fd=inside, dst_dir_fd=inside)
        except BaseException:
            with suppress(OSError):
                os.unlink(hidden, dir_fd=inside)
            raise
        os.fsync(inside)


def _write_hidden(
    folder: int, name: str, pieces: Iterable[bytes], mode: int, *, is_mode_exact: bool = False
) -> None:
    with suppress(FileNotFoundError):
        os.unlink(name, dir_fd=folder)
    flags = os.O_WRONLY | os.O_CREAT | os.O_EXCL | os.O_NOFOLLOW | os.O_CLOEXEC
    descriptor = os.open(name, flags, mode, dir_fd=folder)
    try:
        for piece in pieces:
            rest = memoryview(piece)
            while rest:
                rest = rest[os.write(descriptor, rest) :]
        if is_mode_exact:
            os.fchmod(descriptor, mode)
        os.fsync(descriptor)
    finally:
        os.close(descriptor)


@contextmanager
def folder_of(path: Path, folder: int | None) -> Iterator[int]:
    """The descriptor that was given, or one of the folder that the path leads to."""
    if folder is not None:
        yield folder
        return
    descriptor = os.open(path.parent, FOLDER & ~os.O_NOFOLLOW)
    try:
        yield descriptor
    finally:
        os.close(descriptor)


def replace_file(path: Path, text: str) -> None:
    """Write a file that a person has named, whole or not at all; see ``write_whole``.

    A link leads to the file that is replaced, which keeps its permissions. Where no file is (a
    terminal, a pipe, /dev/null), the text is written into what is there. Raises OSError.
    """
    before = _status(path)
    if before is not None and not _is_replaceable(before):
        with path.open("w", encoding="utf-8") as stream:
            stream.write(text)
        return
    target = path.resolve()
    write_whole(
        target,
        text.encode(),
        hidden=_free_name(),
        mode=0o666 if before is None else stat.S_IMODE(before.st_mode),
        is_mode_exact=before is not None,
    )


def try_to_replace(path: Path) -> None:
    """Raise the OSError that ``replace_file`` would meet now; nothing is left of the trial."""
    before = _status(path)
    if before is not None and not _is_replaceable(before):
        if stat.S_ISDIR(before.st_mode):
            raise IsADirectoryError(errno.EISDIR, os.strerror(errno.EISDIR), str(path))
        if not os.access(path, os.W_OK):
            raise PermissionError(errno.EACCES, os.strerror(errno.EACCES), str(path))
        return
    hidden, target = _free_name(), path.resolve()
    with folder_of(target, None) as inside:
        try:
            _write_hidden(inside, hidden, (_TRIAL,), 0o600)
        finally:
            with suppress(FileNotFoundError):
                os.unlink(hidden, dir_fd=inside)


def try_to_make_folder(path: Path) -> None:
    """Raise the OSError that making a folder in ``path`` would meet; nothing is left of the trial.

    path: a folder, or one that is still to be made in the nearest folder that is there.
    """
    nearest = next(way for way in (path, *path.absolute().parents) if way.is_dir())
    trial = nearest / _free_name()
    trial.mkdir(0o700)
    trial.rmdir()


def _status(path: Path) -> os.stat_result | None:
    """What lies there, links followed; None for nothing. Raises OSError."""
    try:
        return path.stat()
    except FileNotFoundError:
        return None


def _is_replaceable(status: os.stat_result) -> bool:
    return stat.S_ISREG(status.st_mode)


def _free_name() -> str:
    """A hidden name that nobody else has; short, because the file's own may be as long as any."""
    return f".stemprep-{secrets.token_hex(8)}"


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
