"""Every file of a published package with its hash, in the order in which it is sent elsewhere."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

from stemprep.errors import DeliveryError
from stemprep.package.bag import without_bagging_date
from stemprep.package.bag_reading import Bag, read_bag
from stemprep.package.copying import OUR_ALGORITHMS, read_digests
from stemprep.package.descriptors import opened_file, opened_folder
from stemprep.package.faults import told_as_delivery_error
from stemprep.package.payload_path import PAYLOAD, sort_key
from stemprep.package.strangers import system_files

IDENTITY = "manifest-sha256.txt"
"""The list of the payload's hashes: the same payload, whenever it was packed, has the same list."""
_LAST = tuple(f"tagmanifest-{algorithm}.txt" for algorithm in reversed(OUR_ALGORITHMS))


@dataclass(frozen=True, slots=True, kw_only=True)
class InventoryItem:
    """One file of a package: path in it, sha256, size."""

    path: str
    sha256: str
    size_bytes: int


def inventory(package: Path) -> tuple[InventoryItem, ...]:
    """Files of a package of ours: what identifies it first, then payload, tag files, tag manifests.

    Hashes are the package's own; those of the tag manifests are read from the disk. Raises
    DeliveryError where files and lists do not agree in names; whether they agree in content is for
    ``verify_package`` to say.
    """
    with (
        told_as_delivery_error("reading the package", package, "nothing was sent"),
        opened_folder(package, is_link_allowed=True) as folder,
    ):
        bag = read_bag(folder)
        hashes = _listed(bag) | {name: _hashed(folder, name) for name in _LAST}
    strange = sorted((hashes.keys() ^ bag.entries.keys()) - system_files(bag, {}), key=sort_key)
    if strange:
        raise DeliveryError(
            f"{package}: is not whole ({', '.join(strange[:3])}); verify it and send a whole "
            "package; nothing was sent"
        )
    return tuple(
        InventoryItem(path=path, sha256=hashes[path], size_bytes=bag.entries[path].size_bytes)
        for path in sorted(hashes, key=_in_order)
    )


def _listed(bag: Bag) -> dict[str, str]:
    listings = (*bag.payload_listings, *bag.tag_listings)
    return {
        path: digest
        for listing in listings
        if listing.algorithm == "sha256"
        for path, digest in listing.hashes.items()
    }


def _hashed(folder: int, path: str) -> str:
    with opened_file(folder, path) as descriptor:
        return read_digests(descriptor, ("sha256",)).by_algorithm["sha256"]


def _in_order(path: str) -> tuple[int, bytes]:
    if path == IDENTITY:
        return 0, b""
    if path in _LAST:
        return 3 + _LAST.index(path), b""
    return (1 if path.startswith(f"{PAYLOAD}/") else 2), sort_key(path)


def identity_of(manifest_text: str, bag_info_text: str) -> tuple[str, tuple[str, ...]]:
    """What two packages have in common that differ in nothing but the day they were packed."""
    return manifest_text, tuple(without_bagging_date(bag_info_text.split("\n")))
