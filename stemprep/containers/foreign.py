"""Files that hold no sound we read: what they are, in words, by their first bytes."""

from __future__ import annotations

from typing import Final

from stemprep.containers import faults, sound_faults
from stemprep.model.header import HeaderFault

_LOSSY: Final = (
    (b"\x30\x26\xb2\x75\x8e\x66\xcf\x11", "Windows Media content (ASF, WMA)"),
    (b"#!AMR", "AMR speech coding"),
    (b"ADIF", "AAC (ADIF)"),
    (b"\x0b\x77", "AC-3"),
    (b"\x7f\xfe\x80\x01", "DTS"),
    (b"MPCK", "Musepack"),
    (b"MP+", "Musepack"),
    (b".RMF", "RealMedia content"),
)
_UNSUPPORTED: Final = (
    (b".snd", "an AU sound file"),
    (b"dns.", "a little-endian AU sound file"),
    (b"Creative Voice File\x1a", "a VOC sound file"),
    (b"RIFX", "a big-endian RIFF file (RIFX) that does not say it holds sound"),
    (b"wvpk", "WavPack, lossless unless its maker chose otherwise"),
    (b"MAC ", "Monkey's Audio, lossless"),
    (b"TTA1", "TTA, lossless"),
    (b"DSD ", "one-bit sound (DSF)"),
    (b"FRM8", "one-bit sound (DSDIFF)"),
    (b"\xf0\x7e", "a MIDI sample dump (SDS)"),
    (b"\x1a\x45\xdf\xa3", "a Matroska or WebM file"),
)
_NO_SOUND: Final = (
    (b"PK\x03\x04", "a zip archive"),
    (b"PK\x05\x06", "an empty zip archive"),
    (b"Rar!", "a RAR archive"),
    (b"7z\xbc\xaf\x27\x1c", "a 7z archive"),
    (b"\x1f\x8b", "a gzip archive"),
    (b"BZh", "a bzip2 archive"),
    (b"\xfd7zXZ", "an xz archive"),
    (b"%PDF", "a PDF document"),
    (b"\xd0\xcf\x11\xe0\xa1\xb1\x1a\xe1", "an office document"),
    (b"{\\rtf", "an RTF document"),
    (b"MThd", "a MIDI file: notes, no sound"),
    (b"\x00\x05\x16\x07", "the companion of another file (AppleDouble), without sound"),
    (b"SQLite format 3", "a database"),
    (b"bplist", "a list of settings"),
    (b"\x89PNG", "a picture (PNG)"),
    (b"\xff\xd8\xff", "a picture (JPEG)"),
    (b"GIF8", "a picture (GIF)"),
    (b"\x7fELF", "a program"),
    (b"MZ", "a program"),
    (b"<?xml", "an XML document, perhaps of a session"),
    (b"<!DOCTYPE", "a web page"),
    (b"<html", "a web page"),
)
_TEXT: Final = frozenset(range(0x20, 0x7F)) | set(b"\t\r\n")


def foreign_fault(head: bytes) -> HeaderFault:
    """Fault for content that no container knows, from its first 64 bytes."""
    lossy = _known(head, _LOSSY)
    if lossy:
        return sound_faults.lossy(lossy)
    unsupported = _known(head, _UNSUPPORTED)
    return (
        sound_faults.unsupported(unsupported) if unsupported else faults.unreadable(describe(head))
    )


def describe(head: bytes) -> str:
    """Say what first bytes are, in words that fit behind 'it is'."""
    known = _known(head, _NO_SOUND + _UNSUPPORTED + _LOSSY)
    if known:
        return known
    if not head:
        return "nothing (0 bytes)"
    if not any(head):
        return "nothing but zero bytes at its start"
    if all(byte in _TEXT for byte in head[:64]):
        return "plain text"
    return f"bytes ({head[:8].hex(' ')} ...) that no known sound file starts with"


def _known(head: bytes, table: tuple[tuple[bytes, str], ...]) -> str:
    return next((words for magic, words in table if head.startswith(magic)), "")
