"""The manifest of a package that was verified before, as text."""

from __future__ import annotations

import hashlib
from pathlib import Path

from stemprep.errors import DeliveryError
from stemprep.package.bag_reading import read_limited
from stemprep.package.descriptors import opened_folder
from stemprep.package.faults import told_as_delivery_error
from stemprep.package.payload_path import PAYLOAD

MAX_MANIFEST_JSON_BYTES = 64 << 20
MANIFEST = f"{PAYLOAD}/manifest.json"


def read_manifest(package: Path) -> str:
    """Give the text of a package's manifest.json, links refused.

    Raises DeliveryError where there is none, or where it is larger than 64 MiB or no UTF-8.
    """
    with told_as_delivery_error("reading its manifest.json", package, "nothing was made of it"):
        content = read_inside(package, MANIFEST, MAX_MANIFEST_JSON_BYTES)
    try:
        return content.decode("utf-8")
    except UnicodeDecodeError as error:
        raise DeliveryError(
            f"{package}: {MANIFEST} is no text in UTF-8; name a package that stemprep made"
        ) from error


def read_inside(package: Path, path: str, limit_bytes: int) -> bytes:
    """Give the content of one regular file of a package; OSError for others and for larger ones."""
    with opened_folder(package, is_link_allowed=True) as folder:
        return read_limited(folder, path, limit_bytes)


def sha256_of_bytes(content: bytes) -> str:
    """sha256 of what was read, hexadecimal."""
    return hashlib.sha256(content).hexdigest()
