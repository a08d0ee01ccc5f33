"""A store as a tree of files, whatever it is: list, read, hash, send, remove, rename."""

from __future__ import annotations

import hashlib
import stat
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any, BinaryIO, Literal, Protocol, cast

from stemprep.errors import DeliveryError
from stemprep.transfer.address import Address

BLOCK_BYTES = 8 << 20
MAX_ENTRIES = 100_000
MAX_DEPTH = 64
_AHEAD_BYTES = 64 << 20
_PIECE_BYTES = 1 << 20
_EXTENDED = 200  # SSH_FXP_EXTENDED, draft-ietf-secsh-filexfer-02, section 3
_ROOM_QUESTION = "statvfs@openssh.com"  # OpenSSH, PROTOCOL, 4.4: f_bsize, f_frsize, ..., f_bavail

EntryKind = Literal["file", "folder", "link", "special"]


@dataclass(frozen=True, slots=True, kw_only=True)
class RemoteEntry:
    """One thing in a store; path relative to where the listing began."""

    path: str
    kind: EntryKind
    size_bytes: int = 0


@dataclass(frozen=True, slots=True, kw_only=True)
class Hashed:
    """Hexadecimal digests of a file as the store gives it back, and how many bytes there were."""

    by_algorithm: Mapping[str, str]
    size_bytes: int


class Sink:
    """What is read of a file goes into its hashes and nowhere else."""

    def __init__(self, algorithms: Sequence[str]) -> None:
        self._hashes = {name: hashlib.new(name, usedforsecurity=False) for name in algorithms}
        self.size_bytes = 0

    def write(self, piece: bytes) -> int:
        """Take a piece; what a library writes a file to needs this."""
        for digest in self._hashes.values():
            digest.update(piece)
        self.size_bytes += len(piece)
        return len(piece)

    def hashed(self) -> Hashed:
        """Digests of all that was written."""
        return Hashed(
            by_algorithm={name: digest.hexdigest() for name, digest in self._hashes.items()},
            size_bytes=self.size_bytes,
        )


class Remote(Protocol):
    """What a store can do; paths are the store's own, as ``Address.path``.

    Methods raise what their library raises; callers turn it into words by ``told_of_store``.
    """

    address: Address
    can_rename: bool

    def require_answer(self) -> None:
        """Raise where the store does not let us in, or has no such bucket."""
        ...

    def entries(self, folder: str) -> list[RemoteEntry]:
        """Everything below a folder; nothing where there is none."""
        ...

    def exists(self, path: str) -> bool:
        """Tell whether a file or folder has this path."""
        ...

    def read(self, path: str, limit_bytes: int) -> bytes:
        """A file's content; OSError over the limit."""
        ...

    def open(self, path: str) -> BinaryIO:
        """A file for reading from any place in it; the caller closes it."""
        ...

    def hash(self, path: str, algorithms: Sequence[str]) -> Hashed:
        """Read a file whole and hash it."""
        ...

    def send(self, local: Path, path: str) -> None:
        """Send a file, over whatever has its name; folders are made."""
        ...

    def rename(self, old: str, new: str) -> None:
        """Give a folder or file a name that nothing has."""
        ...

    def remove(self, path: str) -> None:
        """Remove one file."""
        ...

    def free_bytes(self, folder: str) -> int | None:
        """Room there; None where the store does not tell."""
        ...

    def close(self) -> None:
        """Let go of the connection."""
        ...


class S3Remote:
    """Objects of an S3-compatible service, through fsspec. A folder is the start of a name."""

    can_rename = False

    def __init__(self, address: Address, file_system: Any) -> None:
        self.address = address
        self._fs = file_system

    def _key(self, path: str) -> str:
        return f"{self.address.host}/{path}"

    def require_answer(self) -> None:
        """List at most one object."""
        self._fs.call_s3("list_objects_v2", Bucket=self.address.host, MaxKeys=1)

    def entries(self, folder: str) -> list[RemoteEntry]:
        """Objects below a name, as if it were a folder."""
        self._fs.invalidate_cache()
        start = self._key(folder).rstrip("/") + "/"
        found = self._fs.find(start, detail=True)
        _refuse_too_many(len(found), self.address)
        return [
            RemoteEntry(
                path=name.removeprefix(start),
                kind="file" if item["type"] == "file" else "folder",
                size_bytes=int(item["size"] or 0),
            )
            for name, item in found.items()
            if name != start
        ]

    def exists(self, path: str) -> bool:
        """Tell whether an object has this name, or begins with it as a folder."""
        self._fs.invalidate_cache()
        return bool(self._fs.exists(self._key(path)))

    def read(self, path: str, limit_bytes: int) -> bytes:
        """Content of an object."""
        with self._fs.open(self._key(path), "rb") as stream:
            return limited(stream.read(limit_bytes + 1), limit_bytes, path)

    def open(self, path: str) -> BinaryIO:
        """An object for reading, fetched in pieces."""
        return cast("BinaryIO", self._fs.open(self._key(path), "rb", block_size=BLOCK_BYTES))

    def hash(self, path: str, algorithms: Sequence[str]) -> Hashed:
        """Hash an object as the service gives it back."""
        sink = Sink(algorithms)
        with self._fs.open(self._key(path), "rb", block_size=BLOCK_BYTES) as stream:
            while piece := stream.read(BLOCK_BYTES):
                sink.write(piece)
        return sink.hashed()

    def send(self, local: Path, path: str) -> None:
        """Put an object; it appears when it is whole."""
        self._fs.put_file(str(local), self._key(path))

    def rename(self, old: str, new: str) -> None:
        """Objects are not renamed."""
        raise NotImplementedError("objects keep their names")

    def remove(self, path: str) -> None:
        """Remove an object."""
        self._fs.rm_file(self._key(path))

    def free_bytes(self, folder: str) -> int | None:
        """A service has room."""
        return None

    def close(self) -> None:
        """Nothing is held open."""
        self._fs.invalidate_cache()


class SftpRemote:
    """Folders of a host that is reached by SFTP, through fsspec."""

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
            try:
                listed = self._fs.ftp.listdir_attr(f"{folder}/{below}" if below else folder)
            except FileNotFoundError:
                if below:
                    raise
                return
            for item in listed:
                path = f"{below}/{item.filename}" if below else item.filename
                entry = _sftp_entry(path, item)
                if entry.kind == "folder" and path.count("/") < MAX_DEPTH:
                    waiting.append(path)
                count += 1
                _refuse_too_many(count, self.address)
                yield entry

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
                for piece in stream.readv(_pieces(start, end)):
                    sink.write(piece)
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


def limited(content: bytes, limit_bytes: int, path: str) -> bytes:
    """The content, unless there was more than allowed: then OSError."""
    if len(content) > limit_bytes:
        raise OSError(0, f"{path} is larger than {limit_bytes} bytes")
    return content


def _refuse_too_many(count: int, address: Address) -> None:
    if count > MAX_ENTRIES:
        raise DeliveryError(
            f"{address.shown}: holds more than {MAX_ENTRIES:,} things; name the folder of one "
            "package"
        )
