"""Clutter: what systems and programs make by themselves, and nothing a person put there.

Names of system files and of peak caches are common practice, no source. Whatever does not match a
rule below is kept: a document too many does no harm, a document lost does.
"""

from __future__ import annotations

import re
from collections.abc import Set

from stemprep.intake.names import extension, folders_of
from stemprep.model.service import PLACE_FILE
from stemprep.naming import file_name, is_companion_file, is_system_file, is_system_folder

_PEAK_EXTENSIONS = frozenset({"pk", "pkf", "asd", "ovw", "sfk", "gpk", "wfm"})
_PEAK_ENDING = re.compile(r"peaks?\Z")
_PARTIAL_EXTENSIONS = frozenset({"part", "partial", "crdownload", "download", "filepart"})
_CACHE_FOLDER = re.compile(
    r"(?:overviews?|peaks?|(?:wave ?form|wave|peak)[ _-]?(?:caches?|files?|overviews?))\Z"
)
_TEMPORARY = (
    re.compile(r"~.*\.tmp\Z", re.DOTALL),
    re.compile(r"~\$.+\Z", re.DOTALL),
    re.compile(r"\.~lock\..*#\Z", re.DOTALL),
    re.compile(r"\.nfs[0-9a-f]+\Z"),
    re.compile(r"\.(?:fuse_hidden|smbdelete|goutputstream-).*\Z", re.DOTALL),
    re.compile(r"\..+\.sw[nop]\Z", re.DOTALL),
)
# A copy under way: dot, the name with its extension, dot, six random letters and digits. All six in
# lower case (``.Kick.wav.backup``) is a word and a person's.
_COPY_UNDER_WAY = re.compile(
    r"\..+\.[A-Za-z0-9]{1,5}\.(?=[A-Za-z0-9]*[A-Z0-9])[A-Za-z0-9]{6}\Z", re.DOTALL
)
_OUR_REPORT = re.compile(r"(.+)\.report\.(?:json|html)\Z", re.DOTALL)


def clutter_reason(path: str, kept_extensions: Set[str], siblings: Set[str] = frozenset()) -> str:
    """Why a path is clutter, in words; "" where it is not.

    kept_extensions: what stays also inside a folder of peak caches (audio, a person's documents).
    siblings:        names in the same folder; a report of ours is one only beside what it is about.
    """
    name = file_name(path)
    return (
        _system_reason(path, name)
        or _temporary_reason(name)
        or _cache_reason(path, kept_extensions)
        or _report_reason(name, siblings)
    )


def is_copy_under_way(name: str) -> bool:
    """Tell whether a file of this name is a download or copy that has not come to its end."""
    return extension(name) in _PARTIAL_EXTENSIONS or bool(_COPY_UNDER_WAY.match(name))


def _system_reason(path: str, name: str) -> str:
    for folder in folders_of(path):
        if is_system_folder(folder):
            return f"lies in {folder}, a folder the system makes by itself"
    if is_system_file(name) or is_system_folder(name):
        return "made by the system, not by a person"
    if name == PLACE_FILE:
        return "by it a stemprep service knows a folder again; no part of a session"
    if is_companion_file(name):
        return "the system's companion of another file; no audio, whatever its extension says"
    return ""


def _temporary_reason(name: str) -> str:
    if extension(name) in _PARTIAL_EXTENSIONS:
        return "a download or copy that has not finished"
    if _COPY_UNDER_WAY.match(name):
        return "a copy under way, or one that was broken off"
    if any(rule.match(name) for rule in _TEMPORARY):
        return "a program's temporary file"
    return ""


def _cache_reason(path: str, kept_extensions: Set[str]) -> str:
    suffix = extension(path)
    if suffix in _PEAK_EXTENSIONS or _PEAK_ENDING.search(suffix):
        return "a peak cache: the picture of a waveform, made again when needed"
    if suffix in kept_extensions:
        return ""
    for folder in folders_of(path):
        if _CACHE_FOLDER.match(folder.lower()):
            return f"lies in {folder}, a folder of peak caches"
    return ""


def _report_reason(name: str, siblings: Set[str]) -> str:
    found = _OUR_REPORT.match(name)
    if found and (found[1] in siblings or f"{found[1]}.zip" in siblings):
        return "a report that stemprep wrote beside a drop"
    return ""
