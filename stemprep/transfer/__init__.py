"""Places beyond this machine's disks: what they are called, what they can hold, getting there."""

from stemprep.transfer.address import Address, parse_place
from stemprep.transfer.faults import as_store_error
from stemprep.transfer.limits import (
    Limits,
    cautions,
    has_no_room,
    limits_of_folder,
    limits_of_remote,
    refusals,
)
from stemprep.transfer.opening import opened_remote, require_reachable
from stemprep.transfer.remote import Hashed, Remote, RemoteEntry
from stemprep.transfer.sending import Arrival, OnSent, Outgoing, send_file, send_package
from stemprep.transfer.zipping import (
    ZippedPackage,
    opened_zip,
    sha256_of,
    sha256_of_stream,
    write_zip,
    zipped_size,
)

__all__ = [
    "Address",
    "Arrival",
    "Hashed",
    "Limits",
    "OnSent",
    "Outgoing",
    "Remote",
    "RemoteEntry",
    "ZippedPackage",
    "as_store_error",
    "cautions",
    "has_no_room",
    "limits_of_folder",
    "limits_of_remote",
    "opened_remote",
    "opened_zip",
    "parse_place",
    "refusals",
    "require_reachable",
    "send_file",
    "send_package",
    "sha256_of",
    "sha256_of_stream",
    "write_zip",
    "zipped_size",
]
