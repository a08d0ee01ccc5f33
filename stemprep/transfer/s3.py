"""Objects of an S3-compatible service, through fsspec."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import Any, BinaryIO, cast

from stemprep.transfer.address import Address
from stemprep.transfer.remote import (
    BLOCK_BYTES,
    Hashed,
    RemoteEntry,
    Sink,
    limited,
    refuse_too_many,
)


class S3Remote:
    """One bucket; a folder is the start of a name. See ``Remote`` for what each method does."""

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
        refuse_too_many(len(found), self.address)
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
