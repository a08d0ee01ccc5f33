"""The package that a delivery follows."""

from __future__ import annotations

from pathlib import Path

from stemprep.errors import DeliveryError
from stemprep.lineage import parse_manifest
from stemprep.model.package import Predecessor
from stemprep.package import delivery_number, read_manifest, verify_package


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
