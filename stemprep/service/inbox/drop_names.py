"""Which names at the top of an inbox are drops, and how a drop is called in store and notices."""

from __future__ import annotations

import os
import re

from stemprep.intake import KEPT_EXTENSIONS, clutter_reason, display_path, is_copy_under_way
from stemprep.naming import split_extension

RESULT_SUFFIXES = (".receipt.html", ".receipt.txt", ".report.json", ".report.html")
"""What the service writes beside a drop called NAME: NAME.report.json and its neighbours."""
LEAVING = ".leaving-"
"""A drop on its way to the archive: this and the job's number."""
INCOMING = ".incoming-"
"""A package on its way into a destination: this and the job's number."""

# Ends of names that copying programs and synchronising folders give to what is not whole yet.
# Common practice, no source; the list of ``intake`` holds the others.
_UNFINISHED_ENDINGS = frozenset(
    {"tmp", "temp", "upload", "uploading", "opdownload", "aria2", "incomplete", "unfinished"}
)
_BEING_WRITTEN = re.compile(r"\.goutputstream-.*\Z", re.DOTALL)
_WRITTEN_BYTE = re.compile(r"\\x[0-9A-F]{2}")


def is_unfinished(name: str) -> bool:
    """Tell whether a file of this name is a transfer that has not come to its end."""
    ending = split_extension(name)[1].removeprefix(".").lower()
    return (
        ending in _UNFINISHED_ENDINGS or is_copy_under_way(name) or bool(_BEING_WRITTEN.match(name))
    )


def finished_name(name: str) -> str:
    """Name that an unfinished transfer will have: ``take.wav.part`` becomes ``take.wav``."""
    return split_extension(name)[0]


def is_result(name: str) -> bool:
    """Tell whether a file of this name is one that the service writes beside a drop."""
    return name.lower().endswith(RESULT_SUFFIXES)


def may_be_drop(name: str, *, is_folder: bool) -> bool:
    """Tell whether an entry at the top of an inbox is something that a person dropped there.

    Hidden names are never drops: the service's own, the system's, and those of copies under way.
    """
    if name.startswith("."):
        return False
    if not is_folder and (is_result(name) or is_unfinished(name)):
        return False
    return not clutter_reason(name, KEPT_EXTENSIONS)


def drop_name(raw: bytes) -> str:
    r"""Name of a drop as text that any database takes; two names never give the same text.

    Bytes that are not UTF-8 are written ``\xNN``; where a name holds such a group as letters, its
    backslashes are written ``\x5C``.
    """
    shown = display_path(raw)
    if _WRITTEN_BYTE.search(os.fsdecode(raw)):
        return display_path(raw.replace(b"\\", b"\\x5C"))
    return shown
