"""Folders of a host that is reached by SFTP, through fsspec."""

from __future__ import annotations

import stat
from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import Any, BinaryIO, cast

from stemprep.transfer.address import Address
from stemprep.transfer.remote import (
    BLOCK_BYTES,
    EntryKind,
    Hashed,
    RemoteEntry,
    Sink,
    limited,
    refuse_too_many,
)

MAX_DEPTH = 64
_AHEAD_BYTES = 64 << 20
_PIECE_BYTES = 1 << 20
_EXTENDED = 200  # SSH_FXP_EXTENDED, draft-ietf-secsh-filexfer-02, section 3
_ROOM_QUESTION = "statvfs@openssh.com"  # OpenSSH, PROTOCOL, 4.4: f_bsize, f_frsize, ..., f_bavail


class SftpRemote:
    """One host. See ``Remote`` for what each method does."""

    can_rename = True

    def __init__(self, address: Address, file_system: Any) -> None:
        self.address = address
        self._fs = file_system

    def require_answer(self) -> None:
        """Ask for the place itself, which may be made later."""
        self.exists(self.address.path)

    def entries(self, folder: str) -> list[RemoteEntry]:
        """What lies below a folder, links and special files named and not followed."""
        return list(self._walk(folder))

    def _walk(self, folder: str) -> Iterator[RemoteEntry]:
        waiting, count = [""], 0
        while waiting:
            below = waiting.pop()
            for item in self._listed(f"{folder}/{below}" if below else folder, is_top=not below):
                path = f"{below}/{item.filename}" if below else item.filename
                entry = _sftp_entry(path, item)
                if entry.kind == "folder" and path.count("/") < MAX_DEPTH:
                    waiting.append(path)
                count += 1
                refuse_too_many(count, self.address)
                yield entry

    def _listed(self, folder: str, *, is_top: bool) -> Iterator[Any]:
        """Give one after the other, so that a listing without end can be left."""
        try:
            yield from self._fs.ftp.listdir_iter(folder, read_aheads=1)
        except FileNotFoundError:
            if not is_top:
                raise

    def exists(self, path: str) -> bool:
        """Tell whether anything has this path."""
        try:
            self._fs.ftp.lstat(path)
        except FileNotFoundError:
            return False
        return True

    def read(self, path: str, limit_bytes: int) -> bytes:
        """Content of a regular file."""
        self._refuse_links(path)
        with self._fs.ftp.open(path, "rb") as stream:
            return limited(stream.read(limit_bytes + 1), limit_bytes, path)

    def open(self, path: str) -> BinaryIO:
        """A regular file for reading."""
        self._refuse_links(path)
        return cast("BinaryIO", self._fs.ftp.open(path, "rb", bufsize=BLOCK_BYTES))

    def hash(self, path: str, algorithms: Sequence[str]) -> Hashed:
        """Hash a regular file as the host gives it back."""
        self._refuse_links(path)
        sink = Sink(algorithms)
        with self._fs.ftp.open(path, "rb") as stream:
            size_bytes = int(stream.stat().st_size or 0)
            for start in range(0, size_bytes, _AHEAD_BYTES):
                end = min(start + _AHEAD_BYTES, size_bytes)
                asked = _pieces(start, end)
                for (_, wanted_bytes), piece in zip(asked, stream.readv(asked), strict=False):
                    sink.write(piece)
                    if len(piece) < wanted_bytes:  # less than the host says that there is
                        return sink.hashed()
        return sink.hashed()

    def _refuse_links(self, path: str) -> None:
        if not stat.S_ISREG(self._fs.ftp.lstat(path).st_mode or 0):
            raise OSError(0, "is no regular file and was not opened")

    def send(self, local: Path, path: str) -> None:
        """Write a file, over one of that name."""
        folder = path.rpartition("/")[0]
        self._fs.makedirs(folder, exist_ok=True)
        self._fs.put_file(str(local), path)

    def rename(self, old: str, new: str) -> None:
        """Rename, unless something has the new name."""
        if self.exists(new):
            raise FileExistsError(17, "something has this name already", new)
        self._fs.ftp.rename(old, new)

    def remove(self, path: str) -> None:
        """Remove a file."""
        self._fs.ftp.remove(path)

    def free_bytes(self, folder: str) -> int | None:
        """Room as far as the host tells it, by an extension of OpenSSH that not all have."""
        try:
            _, reply = self._fs.ftp._request(_EXTENDED, _ROOM_QUESTION, folder)
        except (AttributeError, OSError):
            return None  # a full disk is then met while sending
        _, fragment_bytes, _, _, free = (int(reply.get_int64()) for _ in range(5))
        return fragment_bytes * free

    def close(self) -> None:
        """Close the connection."""
        self._fs.client.close()


def _pieces(start: int, end: int) -> list[tuple[int, int]]:
    """Places and lengths of what is asked for at once; answers come while others are on their way.

    Asking for one piece after the other waits for the wire each time; asking for all of a large
    file at once fills it with questions.
    """
    return [(at, min(_PIECE_BYTES, end - at)) for at in range(start, end, _PIECE_BYTES)]


def _sftp_entry(path: str, item: Any) -> RemoteEntry:
    mode = item.st_mode or 0
    kind: EntryKind = "special"
    if stat.S_ISDIR(mode):
        kind = "folder"
    elif stat.S_ISREG(mode):
        kind = "file"
    elif stat.S_ISLNK(mode):
        kind = "link"
    return RemoteEntry(path=path, kind=kind, size_bytes=int(item.st_size or 0))
