"""A package as one zip: stored, sorted, the same bytes whenever it is made, and read back.

Nothing is packed smaller, so that any tool opens it and a damaged byte damages one file. ZIP64
where sizes ask for it (APPNOTE.TXT 6.3, 4.3.9 and 4.5.3), names in UTF-8 (4.4.4, bit 11).
"""

from __future__ import annotations

import hashlib
import os
import shutil
import struct
import zipfile
from collections.abc import Iterable, Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path
from typing import BinaryIO, cast

from stemprep.errors import DeliveryError
from stemprep.transfer.remote import MAX_ENTRIES, Hashed, RemoteEntry, Sink, limited

_EARLIEST = (1980, 1, 1, 0, 0, 0)  # the first moment that the format can hold
_ATTRIBUTES = 0o100644 << 16  # a regular file, as the package's own files are
_UNIX = 3
_BLOCK_BYTES = 1 << 20
_ZIP64_BYTES = 1 << 31
_ENCRYPTED = 0x1
MAX_DIRECTORY_BYTES = 32 << 20  # MAX_ENTRIES entries with names of 250 bytes


def zipped_size(files: Iterable[tuple[str, int]], top: str) -> int:
    """An upper bound of the bytes that a zip of files (path, size) below a folder will have."""
    return sum(size + 2 * len(f"{top}/{path}".encode()) + 150 for path, size in files) + 100


def write_zip(files: Sequence[tuple[str, Path]], stream: BinaryIO, top: str) -> None:
    """Write files (path in the package, where it lies) as a zip below the folder ``top``.

    stream: an empty file open for writing. They come in the order of their bytes; the zip is on
    the disk when this returns. Raises OSError.
    """
    with zipfile.ZipFile(stream, "w", zipfile.ZIP_STORED, allowZip64=True) as archive:
        for path, local in sorted(files, key=lambda file: file[0].encode()):
            _add(archive, f"{top}/{path}", local)
    stream.flush()
    os.fsync(stream.fileno())
    if hasattr(os, "posix_fadvise"):
        os.posix_fadvise(stream.fileno(), 0, 0, os.POSIX_FADV_DONTNEED)


def _add(archive: zipfile.ZipFile, name: str, local: Path) -> None:
    info = zipfile.ZipInfo(name, _EARLIEST)
    info.compress_type = zipfile.ZIP_STORED
    info.create_system = _UNIX
    info.external_attr = _ATTRIBUTES
    info.file_size = local.stat().st_size
    is_large = info.file_size >= _ZIP64_BYTES
    with local.open("rb") as source, archive.open(info, "w", force_zip64=is_large) as sink:
        shutil.copyfileobj(source, sink, _BLOCK_BYTES)


class ZippedPackage:
    """A zip that holds one package in one folder, or the package itself; nothing is unpacked."""

    def __init__(self, archive: zipfile.ZipFile, shown: str, size_bytes: int) -> None:
        self._archive = archive
        infos = [info for info in archive.infolist() if not info.filename.endswith("/")]
        _refuse_odd(infos, shown, size_bytes)
        tops = {info.filename.partition("/")[0] for info in infos}
        is_in_folder = len(tops) == 1 and all("/" in info.filename for info in infos)
        self.top = tops.pop() if is_in_folder else ""
        start = f"{self.top}/" if self.top else ""
        self._infos = {info.filename.removeprefix(start): info for info in infos}

    def entries(self) -> list[RemoteEntry]:
        """Everything in the package's folder."""
        return [
            RemoteEntry(path=path, kind="file", size_bytes=info.file_size)
            for path, info in self._infos.items()
        ]

    def read(self, path: str, limit_bytes: int) -> bytes:
        """A file's content; OSError over the limit and for damage."""
        with _as_os_error(), self._archive.open(self._infos[path]) as stream:
            return limited(stream.read(limit_bytes + 1), limit_bytes, path)

    def hash(self, path: str, algorithms: Sequence[str]) -> Hashed:
        """Read a file whole and hash it; OSError for damage."""
        sink = Sink(algorithms)
        with _as_os_error(), self._archive.open(self._infos[path]) as stream:
            while piece := stream.read(_BLOCK_BYTES):
                sink.write(piece)
        return sink.hashed()


@contextmanager
def opened_zip(stream: BinaryIO, shown: str) -> Iterator[ZippedPackage]:
    """Open a zip for reading; DeliveryError for what is none, or is none of a package."""
    stream.seek(0, os.SEEK_END)  # a file over SFTP does not return where it is
    size_bytes = stream.tell()
    sparing = _Sparing(stream)
    try:
        archive = zipfile.ZipFile(cast("BinaryIO", sparing))
        sparing.most_bytes = None
    except (zipfile.BadZipFile, NotImplementedError, ValueError, OSError) as error:
        raise DeliveryError(
            f"{shown}: cannot be read as a zip ({error}); its end may be missing: let the transfer "
            "finish or copy it again"
        ) from error
    with archive:
        yield ZippedPackage(archive, shown, size_bytes)


class _Sparing:
    """A stream that gives no more at once than ``most_bytes``: a zip's end says how large its
    directory is, and the library would read all of that into memory, whatever it is.
    """

    def __init__(self, stream: BinaryIO) -> None:
        self._stream = stream
        self.most_bytes: int | None = MAX_DIRECTORY_BYTES

    def read(self, count: int = -1) -> bytes:
        """Read as the stream does; ValueError for more than may be read now."""
        most = self.most_bytes
        if most is None:
            return self._stream.read(count)
        content = self._stream.read(most + 1) if count < 0 else b""
        if max(count, len(content)) > most:
            raise ValueError(f"its directory claims more than {most:,} bytes")
        return self._stream.read(count) if count >= 0 else content

    def seek(self, place: int, whence: int = os.SEEK_SET) -> int:
        """Go to a place; returns it."""
        self._stream.seek(place, whence)
        return self._stream.tell()  # a file over SFTP does not return where it is

    def tell(self) -> int:
        """Where the stream is."""
        return self._stream.tell()

    def seekable(self) -> bool:
        """Always: a zip is read from its end."""
        return True


@contextmanager
def _as_os_error() -> Iterator[None]:
    """Damage of one file, whatever the library makes of it."""
    try:
        yield
    except (
        zipfile.BadZipFile, NotImplementedError, EOFError, RuntimeError, ValueError, struct.error,
    ) as error:  # fmt: skip
        raise OSError(0, f"is damaged in the zip: {error}") from error


def _refuse_odd(infos: Sequence[zipfile.ZipInfo], shown: str, size_bytes: int) -> None:
    """A zip of a package holds each byte once, as it is; anything else may be a trap."""
    names = {info.filename for info in infos}
    reason = None
    if len(infos) > MAX_ENTRIES:
        reason = f"holds more than {MAX_ENTRIES:,} files"
    elif len(names) != len(infos):
        reason = "holds two files of one name"
    elif any(info.flag_bits & _ENCRYPTED for info in infos):
        reason = "is encrypted"
    elif any(info.compress_type != zipfile.ZIP_STORED for info in infos):
        reason = "is compressed, as none of stemprep is"
    elif sum(info.compress_size for info in infos) > size_bytes:
        reason = "claims to hold more than it has bytes"
    elif any(info.file_size != info.compress_size for info in infos):
        reason = "gives two sizes for one file"
    if reason is not None:
        raise DeliveryError(
            f"{shown}: {reason}; unpack it with a tool that you trust, and verify the folder"
        )


def sha256_of(path: Path) -> str:
    """sha256 of a whole file as the disk gives it back. Raises OSError."""
    with path.open("rb") as stream:
        return sha256_of_stream(stream)


def sha256_of_stream(stream: BinaryIO) -> str:
    """The same for an open file, from its start."""
    stream.seek(0)
    return hashlib.file_digest(stream, "sha256").hexdigest()  # type: ignore[arg-type]
