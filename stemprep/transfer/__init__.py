"""Places beyond this machine's disks: what they are called, what they can hold, getting there."""

from stemprep.transfer.address import Address, parse_place
from stemprep.transfer.faults import told_of_store
from stemprep.transfer.opening import opened_remote
from stemprep.transfer.remote import Hashed, Remote, RemoteEntry
from stemprep.transfer.sending import Arrival, Outgoing, send_package

__all__ = [
    "Address",
    "Arrival",
    "Hashed",
    "Outgoing",
    "Remote",
    "RemoteEntry",
    "opened_remote",
    "parse_place",
    "send_package",
    "told_of_store",
]
