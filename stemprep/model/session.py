"""A drop, as found: what lies in it, what each file is, which song it belongs to."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Literal

from stemprep.model.facts import FileFacts
from stemprep.model.mic_pairs import ContentLag, MicLag
from stemprep.model.null_test import NullTest, UntestedSum
from stemprep.model.sheet import SessionSheet, SongNote, TrackNote, Use
from stemprep.model.words import Role

OtherKind = Literal["document", "clutter", "unsafe", "sheet"]
EntryKind = Literal["audio", OtherKind]

Hazard = Literal[
    "",
    "inside-link",
    "outside",
    "dangling",
    "loop",
    "special",
    "unlistable",
    "escape",
    "encrypted",
    "unsupported",
    "duplicate",
    "damaged",
    "too-large",
    "broken-archive",
    "overlapping",
]
"""Why an entry is unsafe.

inside-link: link to something inside the drop, which is taken itself; harmless.
outside:     link out of the drop.  dangling: link to nothing.
loop:        link to a folder it lies in, or to itself.
special:     FIFO, socket, device.
unlistable:  file or folder that cannot be read, or that lies too deep.
In a zip - escape: name or type that leaves the folder; encrypted; unsupported: way of packing;
duplicate: name that an earlier entry has; damaged: does not unpack to what its checksum says;
too-large: more entries or bytes than allowed (the zip itself);
broken-archive: the zip itself cannot be read;
overlapping: its entries share bytes, so that a small zip unpacks to terabytes.
"""

UNREADABLE: frozenset[Hazard] = frozenset({"damaged", "broken-archive"})
"""Damage, not danger: what arrived of a zip or of an entry in it cannot be read."""


@dataclass(frozen=True, slots=True, kw_only=True)
class DropEntry:
    r"""One thing in the drop.

    path:     relative to the drop, ``/`` between parts; bytes that are not UTF-8 as ``\xNN``.
    raw_path: the file system's bytes below the session's root, for opening. What lies in a zip is
              unpacked under numbers in the order of its names, so only ``path`` carries its name.
    reason:   in words, why it is of this kind.
    archive:  name of the zip it lies in; None for a plain folder. The entry of a zip that cannot
              be read at all has the zip's own name as ``path`` and as ``archive``.
    hazard:   what makes an unsafe entry so; "" for every other kind.
    """

    path: str
    raw_path: bytes
    kind: EntryKind
    size_bytes: int = 0
    reason: str = ""
    archive: str | None = None
    hazard: Hazard = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class SourceFile:
    """One audio file of the session.

    role_evidence: in words, what the role was taken from (sheet, folder, name).
    song:          title of its song; "" where the drop holds one unnamed song.
    group:         source it shares with other microphones; None where unknown.
    note:          what the sheet says of it.
    """

    entry: DropEntry
    role: Role
    role_evidence: str
    song: str = ""
    group: str | None = None
    note: TrackNote | None = None

    @property
    def path(self) -> str:
        """The entry's path."""
        return self.entry.path

    @property
    def use(self) -> Use:
        """What the sheet says it is for; main where it says nothing."""
        return "main" if self.note is None else self.note.use


@dataclass(frozen=True, slots=True, kw_only=True)
class Session:
    """A drop after intake.

    name:      of the dropped folder or zip, without extension.
    archive:   file name of the dropped zip; None for a folder.
    root:      absolute folder that raw paths are relative to (a zip's unpacking place).
    entries:   everything found, sorted by raw path.
    files:     the audio among them.
    songs:     titles in order.
    unmatched: sheet patterns that match no file.
    """

    name: str
    root: str
    archive: str | None
    entries: tuple[DropEntry, ...]
    files: tuple[SourceFile, ...]
    songs: tuple[str, ...]
    sheet: SessionSheet | None = None
    unmatched: tuple[str, ...] = field(default=())

    def note_of(self, title: str) -> SongNote | None:
        """What the sheet says of a song; an unnamed song is the only one it speaks of."""
        songs = () if self.sheet is None else self.sheet.songs
        if not title and len(songs) == 1:
            return songs[0]
        return next((song for song in songs if song.title == title), None)

    @property
    def sheet_folder(self) -> str:
        """Folder of the session sheet, from which its patterns may count too; "" at the top."""
        sheets = (entry.path for entry in self.entries if entry.kind == "sheet")
        return next(sheets, "").rpartition("/")[0]


@dataclass(frozen=True, slots=True, kw_only=True)
class MeasuredFile:
    """One audio file with its facts: what checks and plan work on."""

    source: SourceFile
    facts: FileFacts

    @property
    def path(self) -> str:
        """The entry's path."""
        return self.source.entry.path

    @property
    def role(self) -> Role:
        """The source's role."""
        return self.source.role


@dataclass(frozen=True, slots=True, kw_only=True)
class MeasuredSession:
    """The session with the facts of every audio file, in the session's order.

    null_tests: for each song that has a mix and stems, whether these add up to it.
    untested_sums: stems and mixes that could not be compared, with the reason.
    mic_lags:   microphones measured against each other, those without a verdict among them.
    content_lags: files without time reference that hold one signal, and how late it is in each.
    """

    session: Session
    files: tuple[MeasuredFile, ...]
    null_tests: tuple[NullTest, ...] = ()
    untested_sums: tuple[UntestedSum, ...] = ()
    mic_lags: tuple[MicLag, ...] = ()
    content_lags: tuple[ContentLag, ...] = ()
