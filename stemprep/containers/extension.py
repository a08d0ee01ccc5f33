"""Whether a file's name promises the container that its content is."""

from __future__ import annotations

from typing import Final

from stemprep.containers import faults
from stemprep.model.header import Header, HeaderFault

_WAV: Final = ("WAV", frozenset({"WAV", "RF64", "BW64", "RIFX"}))
_AIFF: Final = ("AIFF", frozenset({"AIFF", "AIFC"}))
_MP3: Final = ("MP3", frozenset({"MP3"}))
_OGG: Final = ("Ogg", frozenset({"OGG"}))
_MP4: Final = ("MP4", frozenset({"MP4"}))
_NAMED: Final = {
    **dict.fromkeys(("wav", "wave", "bwf", "rf64", "bw64"), _WAV),
    **dict.fromkeys(("aif", "aiff", "aifc"), _AIFF),
    "w64": ("W64", frozenset({"W64"})),
    "caf": ("CAF", frozenset({"CAF"})),
    "flac": ("FLAC", frozenset({"FLAC"})),
    "mp3": _MP3,
    **dict.fromkeys(("ogg", "oga", "opus"), _OGG),
    **dict.fromkeys(("m4a", "mp4", "aac"), _MP4),
}


def extension_fault(name: str, header: Header) -> HeaderFault | None:
    """Note where lossless content stands under another kind's name; None where it does not.

    Lossy content is a finding of its own, whatever its name.
    """
    if header.format is None or header.format.encoding == "lossy":
        return None
    extension = name.rpartition(".")[2].lower()
    named, contents = _NAMED.get(extension, ("", frozenset({header.format.container})))
    if header.format.container in contents:
        return None
    return faults.other_name(extension, named, header.format.container)
