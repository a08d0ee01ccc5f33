"""A package as one zip: made beside where it will lie, read back, then given its name."""

from __future__ import annotations

import os
from collections.abc import Iterator, Sequence
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import BinaryIO

from stemprep.errors import DeliveryError
from stemprep.model.package import Verification
from stemprep.package import (
    IDENTITY,
    Digests,
    TreeEntry,
    exchanged,
    identity_of,
    inventory,
    rename_exclusively,
    replaced,
    told_as_delivery_error,
    verify_elsewhere,
)
from stemprep.transfer import ZippedPackage, opened_zip, write_zip

_MAX_TAG_BYTES = 128 << 20


@contextmanager
def staged_zip(folder: Path, name: str) -> Iterator[tuple[Path, BinaryIO]]:
    """An empty file of a hidden name in a folder, open for writing and reading; gone in the end.

    Whatever had the name is removed and never opened. Raises DeliveryError.
    """
    staged = folder / f".incoming-{name}"
    flags = os.O_RDWR | os.O_CREAT | os.O_EXCL | os.O_NOFOLLOW | os.O_CLOEXEC
    with told_as_delivery_error("clearing it", staged):
        staged.unlink(missing_ok=True)
    with told_as_delivery_error("making it", staged):
        descriptor = os.open(staged, flags, 0o644)
    try:
        with os.fdopen(descriptor, "w+b") as stream:
            yield staged, stream
    finally:
        with suppress(OSError):  # the error that brought us here matters more
            staged.unlink()


def make_zip(package: Path, expected_sha256: str, stream: BinaryIO, shown: str) -> Verification:
    """Write a published package into an empty file and read it back; DeliveryError if that fails.

    expected_sha256: of its tag manifest, as it was sealed. stream: open for writing and reading;
    shown: its name in messages.
    """
    files = [(item.path, package / item.path) for item in inventory(package)]
    with told_as_delivery_error("writing the zip", shown):
        write_zip(files, stream, package.name)
    proof = verify_zip_stream(stream, shown)
    if not (proof.is_whole and proof.is_complete):
        first = proof.damages[0].path if proof.damages else "not complete"
        raise DeliveryError(
            f"{shown}: the zip read back differs from the package ({first}); check that disk and "
            "deliver elsewhere; nothing was published"
        )
    if proof.tag_manifest_sha256 != expected_sha256:
        raise exchanged(package)
    return proof


def publish_zip(
    package: Path, expected_sha256: str, destination: Path
) -> tuple[Path, Verification, bool]:
    """Put a package into a folder as one zip that appears whole or not at all.

    Returns where it lies, what reading it back has shown, and whether the same lay there before.
    Raises DeliveryError where anything else has the name, or the disk refuses.
    """
    final = destination / f"{package.name}.zip"
    with told_as_delivery_error("making it", destination):
        destination.mkdir(exist_ok=True)
    if final.exists():
        return final, _same_zip(package, final), True
    with staged_zip(destination, final.name) as (staged, stream):
        proof = make_zip(package, expected_sha256, stream, str(staged))
        _require_same(staged, stream, staged)
        with told_as_delivery_error("giving the zip its name", final):
            rename_exclusively(staged, final)
        try:
            _require_same(final, stream, staged)
        except DeliveryError:
            with suppress(OSError):
                rename_exclusively(final, staged)
            raise
    return final, proof, False


def _require_same(path: Path, stream: BinaryIO, staged: Path) -> None:
    """Raise DeliveryError where a path leads to another file than the one that is open."""
    try:
        is_same = os.path.samestat(path.lstat(), os.fstat(stream.fileno()))
    except FileNotFoundError:
        is_same = False
    if not is_same:
        raise replaced(staged)


def _same_zip(package: Path, final: Path) -> Verification:
    """What reading a zip has shown that holds the same package already."""
    with final.open("rb") as stream, opened_zip(stream, str(final)) as zipped:
        theirs = _identity(zipped, final)
    texts = ((package / name).read_text("utf-8") for name in (IDENTITY, "bag-info.txt"))
    if theirs != identity_of(*texts):
        raise DeliveryError(
            f"{final}: something else has this name already; move or rename what lies there, "
            "deliver to another destination, or make this the next delivery (raise 'delivery' in "
            "session.yaml); nothing was published"
        )
    proof = verify_zip(final)
    if not (proof.is_whole and proof.is_complete):
        raise DeliveryError(
            f"{final}: this package was delivered before and is damaged there; move it away and "
            "deliver again; nothing was published"
        )
    return proof


def _identity(zipped: ZippedPackage, final: Path) -> object:
    try:
        texts = (
            zipped.read(name, _MAX_TAG_BYTES).decode("utf-8", "replace")
            for name in (IDENTITY, "bag-info.txt")
        )
        return identity_of(*texts)
    except (OSError, KeyError):
        return None


def verify_zip(path: Path) -> Verification:
    """Check the package in a zip without unpacking it; DeliveryError for what is no such zip."""
    with told_as_delivery_error("opening the zip", path, "nothing was checked"):
        stream = path.open("rb")
    with stream:
        return verify_zip_stream(stream, str(path))


def verify_zip_stream(stream: BinaryIO, shown: str) -> Verification:
    """The same for an open zip, wherever it lies."""
    with opened_zip(stream, shown) as zipped:
        entries = [TreeEntry(item.path, item.kind, item.size_bytes) for item in zipped.entries()]

        def hash_one(path: str, algorithms: Sequence[str]) -> Digests:
            found = zipped.hash(path, algorithms)
            return Digests(dict(found.by_algorithm), found.size_bytes)

        folders = [TreeEntry("data", "folder")]
        return verify_elsewhere(shown, [*entries, *folders], zipped.read, hash_one)
