"""Objects of an S3-compatible service, through fsspec."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from itertools import count
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
        return list(self._listed(f"{folder.strip('/')}/".removeprefix("/")))

    def _listed(self, start: str) -> Iterator[RemoteEntry]:
        """Page by page: a service that never comes to an end is left when it is told to hold too
        much, not when memory is full. A page without anything counts as well.
        """
        asked: dict[str, str] = {"Bucket": self.address.host, "Prefix": start}
        met = 0
        for pages in count(1):
            page = self._fs.call_s3("list_objects_v2", **asked)
            objects = page.get("Contents", ())
            met += len(objects)
            refuse_too_many(met + pages, self.address)
            for item in objects:
                name = str(item["Key"]).removeprefix(start)
                kind: EntryKind = "folder" if name.endswith("/") else "file"
                if name:
                    size_bytes = int(item.get("Size") or 0)
                    yield RemoteEntry(path=name.rstrip("/"), kind=kind, size_bytes=size_bytes)
            if not page.get("IsTruncated") or not page.get("NextContinuationToken"):
                return
            asked["ContinuationToken"] = page["NextContinuationToken"]

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
