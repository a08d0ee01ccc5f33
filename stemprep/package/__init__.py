"""Packages: BagIt 1.0 bags that appear whole or not at all, and proving them whole later.

``open_staging`` a folder on the destination's disk, write audio to ``Staging.file_for`` and
documents with ``add_file`` and ``add_bytes``, then ``seal`` and ``publish``.
"""

from stemprep.package.bag import TAG_MANIFEST, seal, settle
from stemprep.package.bag_reading import HashJob, delivery_number
from stemprep.package.byte_difference import ByteDifference, byte_difference
from stemprep.package.check_commands import check_commands
from stemprep.package.copying import Digests, blocks_of, read_digests
from stemprep.package.delivered import DeliveredSound
from stemprep.package.descriptors import (
    TreeEntry,
    empty_folder,
    make_folders,
    opened,
    opened_file,
    opened_folder,
    walk,
)
from stemprep.package.faults import require_space, told_as_delivery_error
from stemprep.package.inventory import IDENTITY, identity_of, inventory
from stemprep.package.listed_hashes import listed_hashes
from stemprep.package.manifest import made_with, manifest_csv, manifest_json, manifest_schema
from stemprep.package.publish import publish, rename_exclusively, replicate
from stemprep.package.reading_manifest import (
    MANIFEST,
    MAX_MANIFEST_JSON_BYTES,
    read_inside,
    read_manifest,
    sha256_of_bytes,
)
from stemprep.package.shelf import (
    LOG_NAME,
    MAX_DEPTH,
    append_confirmation,
    append_log,
    is_package,
    logged_name,
    packages_of,
    read_log,
    require_log_place,
)
from stemprep.package.staged_file import StagedFile, exchanged, replaced
from stemprep.package.staging import OpenFolder, Staging, open_staging
from stemprep.package.verify import (
    delivered_files,
    hash_file,
    verify_elsewhere,
    verify_package,
)
from stemprep.package.whereabouts import make_parents, set_aside, shell_line

__all__ = [
    "IDENTITY",
    "LOG_NAME",
    "MANIFEST",
    "MAX_DEPTH",
    "MAX_MANIFEST_JSON_BYTES",
    "TAG_MANIFEST",
    "ByteDifference",
    "DeliveredSound",
    "Digests",
    "HashJob",
    "OpenFolder",
    "StagedFile",
    "Staging",
    "TreeEntry",
    "append_confirmation",
    "append_log",
    "blocks_of",
    "byte_difference",
    "check_commands",
    "delivered_files",
    "delivery_number",
    "empty_folder",
    "exchanged",
    "hash_file",
    "identity_of",
    "inventory",
    "is_package",
    "listed_hashes",
    "logged_name",
    "made_with",
    "make_folders",
    "make_parents",
    "manifest_csv",
    "manifest_json",
    "manifest_schema",
    "open_staging",
    "opened",
    "opened_file",
    "opened_folder",
    "packages_of",
    "publish",
    "read_digests",
    "read_inside",
    "read_log",
    "read_manifest",
    "rename_exclusively",
    "replaced",
    "replicate",
    "require_log_place",
    "require_space",
    "seal",
    "set_aside",
    "settle",
    "sha256_of_bytes",
    "shell_line",
    "told_as_delivery_error",
    "verify_elsewhere",
    "verify_package",
    "walk",
]
