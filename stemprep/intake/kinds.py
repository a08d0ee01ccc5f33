"""What a file in a drop is: audio, document or clutter; by its name, else by its first bytes."""

from __future__ import annotations

from collections.abc import Callable, Set

from stemprep.intake.clutter import clutter_reason
from stemprep.intake.names import extension
from stemprep.model.session import EntryKind

HEAD_BYTES = 16


def _words(text: str) -> frozenset[str]:
    return frozenset(text.split())


# Lossy and rare formats are audio too: they must get a finding, not vanish among the documents.
AUDIO_EXTENSIONS = _words("""
    wav wave bwf rf64 bw64 w64 aif aiff aifc caf flac au snd sd2 voc
    mp1 mp2 mp3 ogg oga opus m4a m4b aac ac3 eac3 dts wma amr mpc mka
    alac ape wv tta dsf dff
""")
_ARCHIVE_EXTENSIONS = _words("zip 7z rar tar gz tgz bz2 xz zst")
_DOCUMENT_EXTENSIONS = _words("""
    txt md pdf rtf doc docx odt xls xlsx ods csv xml json yaml yml html bak
    jpg jpeg png gif tif tiff heic mov mp4 mid midi
""")
KEPT_EXTENSIONS = AUDIO_EXTENSIONS | _DOCUMENT_EXTENSIONS
"""What a person put there even if it lies in a folder of peak caches."""


def classify(
    path: str, read_head: Callable[[], bytes], siblings: Set[str] = frozenset()
) -> tuple[EntryKind, str]:
    """Kind and reason of a regular file.

    read_head: gives its first 16 bytes; not called for clutter nor for audio known by its
               extension. What it raises passes through.
    """
    reason = clutter_reason(path, KEPT_EXTENSIONS, siblings)
    if reason:
        return "clutter", reason
    suffix = extension(path)
    if suffix in AUDIO_EXTENSIONS:
        return "audio", f"audio by its extension .{suffix}"
    sound = "" if suffix else _sound_in(read_head())
    if sound:
        return "audio", f"no extension, but its first bytes are those of {sound}"
    if suffix in _ARCHIVE_EXTENSIONS:
        return "document", "an archive inside the drop; carried as it is, not opened"
    read_head()  # what cannot be read cannot be carried: better told now than while packing
    return "document", "not audio; carried as a document"


def _sound_in(head: bytes) -> str:
    tag, form = head[:4], head[8:12]
    if tag in (b"RIFF", b"RF64", b"BW64", b"RIFX") and form == b"WAVE":
        return "a WAV file"
    if tag == b"FORM" and form in (b"AIFF", b"AIFC"):
        return "an AIFF file"
    if tag == b"riff" and head[4:8] == b"\x2e\x91\xcf\x11":
        return "a W64 file"
    if head[4:11] == b"ftypM4A":
        return "an M4A file"
    by_tag = {b"caff": "a CAF file", b"fLaC": "a FLAC file", b"OggS": "an Ogg file"}
    return "an MP3 file" if tag[:3] == b"ID3" else by_tag.get(tag, "")
