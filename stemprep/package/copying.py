"""Writing a file so that what lies on the disk is known to be what was read."""

from __future__ import annotations

import hashlib
import os
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from typing import BinaryIO

from stemprep.errors import DeliveryError

BLOCK_BYTES = 1 << 20
OUR_ALGORITHMS = ("sha256", "sha512")


@dataclass(frozen=True, slots=True)
class Digests:
    """Hashes of one file's bytes, hexadecimal, by algorithm; and how many bytes there were."""

    by_algorithm: dict[str, str]
    size_bytes: int


def read_digests(descriptor: int, algorithms: Sequence[str]) -> Digests:
    """Hash a file from its start in one read, past the page cache where the system allows it."""
    hashes = {name: hashlib.new(name, usedforsecurity=False) for name in algorithms}
    forget_cached(descriptor)
    os.lseek(descriptor, 0, os.SEEK_SET)
    block = memoryview(bytearray(BLOCK_BYTES))
    size_bytes = 0
    while got := os.readv(descriptor, [block]):
        size_bytes += got
        for digest in hashes.values():
            digest.update(block[:got])
    return Digests({name: digest.hexdigest() for name, digest in hashes.items()}, size_bytes)


def forget_cached(descriptor: int) -> None:
    """Drop a file's clean pages from the page cache, so that the next read asks the disk."""
    if hasattr(os, "posix_fadvise"):  # not on macOS
        os.posix_fadvise(descriptor, 0, 0, os.POSIX_FADV_DONTNEED)


def write_verified(descriptor: int, blocks: Iterable[bytes], name: str) -> Digests:
    """Write blocks to an empty file open for reading and writing, to the disk, and read it back.

    Returns sha256 and sha512 of what was given. Raises DeliveryError when the disk gives back
    something else, OSError when it refuses.
    """
    hashes = {algorithm: hashlib.new(algorithm) for algorithm in OUR_ALGORITHMS}
    size_bytes = 0
    for block in blocks:
        for digest in hashes.values():
            digest.update(block)
        _write_all(descriptor, block)
        size_bytes += len(block)
    os.fsync(descriptor)
    written = Digests({key: digest.hexdigest() for key, digest in hashes.items()}, size_bytes)
    back = read_digests(descriptor, ("sha256",))
    if (back.size_bytes, back.by_algorithm["sha256"]) != (size_bytes, hashes["sha256"].hexdigest()):
        raise DeliveryError(
            f"{name}: read back {back.size_bytes} bytes that differ from the {size_bytes} written; "
            "the disk cannot be trusted: check it and deliver elsewhere; nothing was published"
        )
    return written


def _write_all(descriptor: int, block: bytes) -> None:
    rest = memoryview(block)
    while rest:
        rest = rest[os.write(descriptor, rest) :]


def blocks_of(stream: BinaryIO, at_most: int = 1 << 63) -> Iterator[bytes]:
    """Yield what a stream still holds, 1 MiB at a time, up to ``at_most`` bytes.

    A file that somebody goes on writing to has no end.
    """
    while block := stream.read(min(BLOCK_BYTES, at_most)):
        at_most -= len(block)
        yield block
