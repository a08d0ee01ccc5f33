"""A store as a tree of files, whatever it is: list, read, hash, send, remove, rename."""

from __future__ import annotations

import hashlib
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import BinaryIO, Literal, Protocol

from stemprep.errors import DeliveryError
from stemprep.transfer.address import Address

BLOCK_BYTES = 8 << 20
MAX_ENTRIES = 100_000

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

    Methods raise what their library raises; callers turn it into words by ``as_store_error``.
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


def limited(content: bytes, limit_bytes: int, path: str) -> bytes:
    """The content, unless there was more than allowed: then OSError."""
    if len(content) > limit_bytes:
        raise OSError(0, f"{path} is larger than {limit_bytes} bytes")
    return content


def refuse_too_many(count: int, address: Address) -> None:
    """Raise DeliveryError for a place that holds more than a package can."""
    if count > MAX_ENTRIES:
        raise DeliveryError(
            f"{address.shown}: holds more than {MAX_ENTRIES:,} things; name the folder of one "
            "package"
        )
