"""The Audio Definition Model in a WAV: which channel carries what (ITU-R BS.2088, BS.2076).

Only track UIDs are read: they are what the two chunks must agree on.
"""

from __future__ import annotations

import re
import struct

from stemprep.model.header import AdmTrack

_ENTRY = struct.Struct("<H12s14s11sx")  # ITU-R BS.2088-1, 8: one track, its UID, two references
_MOST_UIDS = 4096
_DEFINED = re.compile(
    rb"<(?:\w+:)?audioTrackUID\b[^>]{0,1000}?\bUID=[\"'](ATU_[0-9A-Fa-f]{8})[\"']"
)


def parse_chna(payload: bytes) -> tuple[AdmTrack, ...]:
    """Entries in use, as many as are really there; an index of 0 stands for one that is not."""
    if len(payload) < 4:
        return ()
    (count,) = struct.unpack_from("<H", payload, 2)
    present = (len(payload) - 4) // _ENTRY.size
    entries = (
        _ENTRY.unpack_from(payload, 4 + n * _ENTRY.size)
        for n in range(min(count, present, _MOST_UIDS))
    )
    return tuple(
        AdmTrack(channel=entry[0], uid=entry[1].rstrip(b"\0 ").decode("latin-1"))
        for entry in entries
        if entry[0]
    )


def defined_uids(payload: bytes) -> tuple[str, ...]:
    """Track UIDs that the XML defines, each once, in order."""
    found = (match.group(1).decode("ascii") for match in _DEFINED.finditer(payload))
    return tuple(dict.fromkeys(uid for uid, _ in zip(found, range(_MOST_UIDS), strict=False)))
