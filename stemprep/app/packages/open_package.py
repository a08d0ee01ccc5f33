"""What a package holds by its own account, wherever it lies: opened, followed, and compared."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, replace
from pathlib import Path

from stemprep.errors import DeliveryError
from stemprep.lineage import Manifest, PackageComparison, compare_manifests, parse_manifest
from stemprep.model.package import Predecessor
from stemprep.package import (
    MANIFEST,
    MAX_MANIFEST_JSON_BYTES,
    TAG_MANIFEST,
    delivery_number,
    read_inside,
    read_manifest,
    sha256_of_bytes,
    told_as_delivery_error,
    verify_package,
)
from stemprep.transfer import Address, as_store_error, opened_remote, opened_zip

Read = Callable[[str, int], bytes]
_OUTCOME = "nothing was compared"


@dataclass(frozen=True, slots=True, kw_only=True)
class PackageIdentity:
    """A package's manifest, and the sha256 of its tag manifest."""

    manifest: Manifest
    seal: str


def package_identity(place: Path | Address) -> PackageIdentity:
    """Read what a package tells: a folder, a zip, or either in a store; nothing is verified.

    Raises DeliveryError for what is no package of ours, or was not sent to its end.
    """
    shown = place.shown if isinstance(place, Address) else str(place)
    with _reader(place) as read:
        try:
            seal = sha256_of_bytes(read(TAG_MANIFEST, MAX_MANIFEST_JSON_BYTES))
        except (OSError, KeyError) as error:
            raise DeliveryError(
                f"{shown}: is no complete package: it has no {TAG_MANIFEST}; name a package, and "
                "let its transfer finish"
            ) from error
        try:
            content = read(MANIFEST, MAX_MANIFEST_JSON_BYTES)
            text = content.decode("utf-8")
        except (OSError, KeyError, UnicodeDecodeError) as error:
            raise DeliveryError(
                f"{shown}: has no {MANIFEST} that can be read; name a package that stemprep made"
            ) from error
    return PackageIdentity(manifest=parse_manifest(text, place.name), seal=seal)


@contextmanager
def _reader(place: Path | Address) -> Iterator[Read]:
    if isinstance(place, Path):
        with _local_reader(place) as read:
            yield read
        return
    with opened_remote(place) as remote, as_store_error("reading", place, _OUTCOME):
        if place.name.lower().endswith(".zip"):
            with remote.open(place.path) as stream, opened_zip(stream, place.shown) as zipped:
                yield zipped.read
            return
        yield lambda path, limit: remote.read(f"{place.path}/{path}", limit)


@contextmanager
def _local_reader(place: Path) -> Iterator[Read]:
    if place.is_file():
        with told_as_delivery_error("opening the zip", place, _OUTCOME):
            stream = place.open("rb")
        with stream, opened_zip(stream, str(place)) as zipped:
            yield zipped.read
        return
    if not place.is_dir():
        raise DeliveryError(f"{place}: is not there; check the name or connect the disk")
    yield lambda path, limit: read_inside(place, path, limit)


def read_predecessor(package: Path) -> Predecessor:
    """Name, number, tag manifest and history of a whole package; DeliveryError for others."""
    if package.is_file():
        raise DeliveryError(
            f"{package}: is a file, and a folder is needed here; unpack a zip first, verify what "
            "came out of it, and name that folder"
        )
    proof = verify_package(package)
    if not (proof.is_whole and proof.is_complete) or proof.tag_manifest_sha256 is None:
        first = "it has no tag manifest"
        if proof.damages:
            first = f"{proof.damages[0].path}: {proof.damages[0].message}"
        raise DeliveryError(
            f"{package}: is no whole package to follow: {first}; run stemprep verify on it, "
            "and name the package that was delivered before"
        )
    return Predecessor(
        name=package.resolve().name,
        number=delivery_number(package),
        tag_manifest_sha256=proof.tag_manifest_sha256,
        earlier=parse_manifest(read_manifest(package), package.resolve().name).history,
    )


def compare(old: Path | Address, new: Path | Address) -> PackageComparison:
    """What changed from one package to another, wherever they lie; nothing is measured again.

    Raises DeliveryError for what is no package of ours, or was not sent to its end.
    """
    before, after = package_identity(old), package_identity(new)
    names = [
        replace(identity.manifest, name=place.name or identity.manifest.name)  # as people know them
        for identity, place in ((before, old), (after, new))
    ]
    return compare_manifests(names[0], names[1], old_seal=before.seal)
