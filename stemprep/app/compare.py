"""Compare two packages by what their manifests tell."""

from __future__ import annotations

from pathlib import Path

from stemprep.errors import DeliveryError
from stemprep.lineage import PackageComparison, compare_manifests, parse_manifest
from stemprep.package import HashJob, hash_file, read_manifest
from stemprep.package.bag import TAG_MANIFEST
from stemprep.package.copying import Digests


def compare(old: Path, new: Path) -> PackageComparison:
    """What changed from one package to another; nothing is measured again.

    Raises DeliveryError for what is no package of ours, or was not sent to its end.
    """
    seals = [_seal(package) for package in (old, new)]
    before, after = (parse_manifest(read_manifest(package), package.name) for package in (old, new))
    return compare_manifests(before, after, old_seal=seals[0])


def _seal(package: Path) -> str:
    """sha256 of the tag manifest, which is there only in a package that is complete."""
    job = HashJob(root=str(package.absolute()), path=TAG_MANIFEST, algorithms=("sha256",))
    result = hash_file(job)
    if not isinstance(result, Digests):
        raise DeliveryError(
            f"{package}: is no complete package: its {TAG_MANIFEST} {result.reason}; "
            "name the folder of a package, and let its transfer finish"
        )
    return result.by_algorithm["sha256"]
