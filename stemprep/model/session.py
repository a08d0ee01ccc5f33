"""A drop, as found: what lies in it, what each file is, which song it belongs to."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Literal

from stemprep.model.facts import FileFacts
from stemprep.model.sheet import SessionSheet, TrackNote
from stemprep.model.words import Role

EntryKind = Literal["audio", "document", "clutter", "unsafe", "sheet"]


@dataclass(frozen=True, slots=True, kw_only=True)
class DropEntry:
    """One thing in the drop.

    path:     relative to the drop, ``/`` between parts; bytes that are not UTF-8 as ``\\xNN``.
    raw_path: the same as the file system's bytes, for opening.
    reason:   in words, why it is of this kind.
    archive:  name of the zip it lies in; None for a plain folder.
    """

    path: str
    raw_path: bytes
    kind: EntryKind
    size_bytes: int = 0
    reason: str = ""
    archive: str | None = None


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
    """The session with the facts of every audio file, in the session's order."""

    session: Session
    files: tuple[MeasuredFile, ...]
