"""The directory at a zip's end: is it there, and can it be what a program wrote?

Clause numbers are those of the zip specification, APPNOTE.TXT.
"""

from __future__ import annotations

import struct
import zipfile
from itertools import pairwise
from typing import BinaryIO

from stemprep.intake.names import extension
from stemprep.model.session import Hazard

MAX_ZIP_ENTRIES = 10_000
MAX_DIRECTORY_BYTES = 64 << 20  # 10,000 entries with names of 4 KB and some metadata each

_END = b"PK\5\6"  # end of central directory record, 4.3.16
_END_64 = b"PK\6\6"  # its 64-bit form, 4.3.14, stands right before its locator, 4.3.15
_LOCATOR_64 = b"PK\6\7"
_LOCAL = b"PK\3\4"
_LOCAL_BYTES = 30  # without name and extra field, 4.3.7
_CENTRAL = b"PK\1\2"
_CENTRAL_BYTES = 46  # without name, extra field and comment, 4.3.12


class ZipRefusedError(Exception):
    """The zip as a whole is not unpacked."""

    def __init__(self, hazard: Hazard, reason: str) -> None:
        super().__init__(hazard, reason)
        self.hazard = hazard
        self.reason = reason


def is_zip(name: str, head: bytes) -> bool:
    """Tell whether this is to be read as a zip: by its extension or by its first bytes."""
    return extension(name) == "zip" or head[:4] in (_LOCAL, _END)


def check_directory(stream: BinaryIO, size_bytes: int) -> None:
    """Refuse a directory that is missing or huge before a library reads all of it into memory."""
    tail_bytes = min(size_bytes, 22 + 0xFFFF + 20 + 56)
    stream.seek(size_bytes - tail_bytes)
    tail = stream.read(tail_bytes)
    end = tail.rfind(_END)
    if end < 0 or len(tail) - end < 22:
        raise ZipRefusedError(
            "broken-archive",
            "the zip has no directory at its end: it was cut short on its way; ask for it again",
        )
    count, directory_bytes = struct.unpack_from("<HI", tail, end + 10)
    end_64 = end - 20 - 56
    if end_64 >= 0 and tail.startswith(_LOCATOR_64, end - 20) and tail.startswith(_END_64, end_64):
        count, directory_bytes = struct.unpack_from("<QQ", tail, end_64 + 32)
        end = end_64
    if count > MAX_ZIP_ENTRIES or directory_bytes > MAX_DIRECTORY_BYTES:
        raise ZipRefusedError("too-large", _too_many(count))
    _count_entries(stream, size_bytes - tail_bytes + end - directory_bytes, directory_bytes)


def _count_entries(stream: BinaryIO, start: int, directory_bytes: int) -> None:
    """Refuse a directory with more entries than may be: the library reads them all, whatever the
    count in the record at the end says.
    """
    stream.seek(max(0, start))
    directory = stream.read(directory_bytes)
    position = count = 0
    while directory.startswith(_CENTRAL, position) and len(directory) - position >= _CENTRAL_BYTES:
        position += _CENTRAL_BYTES + sum(struct.unpack_from("<HHH", directory, position + 28))
        count += 1
        if count > MAX_ZIP_ENTRIES:
            at_least = f"more than {MAX_ZIP_ENTRIES:,} entries, though its end says otherwise"
            raise ZipRefusedError("too-large", f"the zip holds {at_least}; not unpacked")


def check_entries(infos: list[zipfile.ZipInfo]) -> None:
    """Refuse too many entries, and entries that lie over each other."""
    if len(infos) > MAX_ZIP_ENTRIES:
        raise ZipRefusedError("too-large", _too_many(len(infos)))
    _check_overlap(infos)


def _check_overlap(infos: list[zipfile.ZipInfo]) -> None:
    """Refuse a zip whose entries share bytes: no program writes such, and a small one unpacks to
    terabytes.
    """
    placed = sorted(infos, key=lambda info: info.header_offset)
    for info, following in pairwise(placed):
        if info.header_offset + _LOCAL_BYTES + info.compress_size > following.header_offset:
            raise ZipRefusedError(
                "overlapping",
                "its entries lie over each other, which no program does; ask for the zip again",
            )


def _too_many(count: int) -> str:
    return (
        f"the zip holds too much ({count:,} entries, at most {MAX_ZIP_ENTRIES:,} are read); "
        "send one song at a time"
    )
