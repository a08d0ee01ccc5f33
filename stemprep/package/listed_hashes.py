"""What a package's own list of hashes says of its payload."""

from __future__ import annotations

from pathlib import Path

from stemprep.package.bag_reading import read_bag
from stemprep.package.descriptors import opened_folder
from stemprep.package.faults import told_as_delivery_error


def listed_hashes(package: Path) -> dict[str, str]:
    """sha256 by path relative to the package (``data/...``); DeliveryError where it is not there.

    Whether the files are as listed is for ``verify_package`` to say.
    """
    with (
        told_as_delivery_error("reading its list of hashes", package, "nothing was compared"),
        opened_folder(package, is_link_allowed=True) as folder,
    ):
        bag = read_bag(folder)
    lists = (item for item in bag.payload_listings if item.algorithm == "sha256")
    return {path: digest for item in lists for path, digest in item.hashes.items()}
