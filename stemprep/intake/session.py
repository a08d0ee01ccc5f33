"""From a list of entries to a session: roles, songs and groups, by the sheet before all else.

Microphones of one source are found by names: ``Kick In`` and ``Kick Out`` are both the kick.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence

from stemprep.intake.names import stem
from stemprep.intake.roles import Verdict, roles_by_name
from stemprep.intake.scan import Scan
from stemprep.intake.songs import folder_of_song, lies_in, songs_by_folder, songs_by_sheet
from stemprep.intake.vocabulary import POSITIONS
from stemprep.intake.words import (
    Words,
    fields_of,
    shared_start,
    split_after,
    without_track_number,
)
from stemprep.model.session import DropEntry, Session, SourceFile
from stemprep.model.sheet import SessionSheet, SongNote, TrackNote
from stemprep.model.words import Role
from stemprep.naming.patterns import PathIndex


def groups_by_name(paths: Iterable[str]) -> Mapping[str, str]:
    """Return the group of each path that has one; paths are the tracks of one song.

    A group is what is left of a name without the words for a microphone's place (in, out, top,
    left, amp, di, ...), shared by two files or more of which at least one has such a word.
    """
    names = {path: without_track_number(fields_of(stem(path))) for path in paths}
    titled = shared_start(list(names.values()))
    members: dict[Words, list[str]] = {}
    placed: set[Words] = set()
    for path, fields in names.items():
        words = _flat(split_after(fields, titled)[1])
        if not _group_source(words):
            words = _flat(fields)
        source = _group_source(words)
        members.setdefault(source, []).append(path)
        if source != words:
            placed.add(source)
    return {
        path: " ".join(source)
        for source, group in members.items()
        if source and source in placed and len(group) > 1
        for path in group
    }


def _group_source(words: Words) -> Words:
    """Return the words without places; ``room`` is a place where another word says of what."""
    source = tuple(word for word in words if word not in POSITIONS)
    return tuple(word for word in source if word not in ("room", "rooms")) or source


def _flat(fields: tuple[Words, ...]) -> Words:
    return tuple(word for field in fields for word in field)


_GROUPED_ROLES: frozenset[Role] = frozenset({"track", "di"})


def build_session(scan: Scan, sheet: SessionSheet | None) -> Session:
    """Give every audio file of a scan its role, song, group and note.

    Of the sheet's tracks the first whose pattern names a file holds for it, whole; the ones after
    it are not read for that file. A role comes from that note, else from being a song's reference
    mix, else from folder and name. Patterns count from the drop's top or from the sheet's folder.
    """
    audio = [entry for entry in scan.entries if entry.kind == "audio"]
    paths = [entry.path for entry in audio]
    start = scan.sheet_folder
    sheet_songs = sheet.songs if sheet else ()
    index = PathIndex(paths, start)
    songs = (
        songs_by_sheet(paths, sheet_songs, index, start) if sheet_songs else songs_by_folder(paths)
    )
    notes = _notes(sheet.tracks if sheet else (), index)
    roles = roles_by_name(paths) | _named_mixes(songs, sheet_songs, index) | _noted(notes)
    groups = _groups(songs, roles, notes)
    files = tuple(_source(entry, roles, songs, groups, notes) for entry in audio)
    return Session(
        name=scan.name,
        root=scan.root,
        archive=scan.archive,
        entries=scan.entries,
        files=files,
        songs=_titles(songs.values(), sheet_songs),
        sheet=sheet,
        unmatched=_unmatched(paths, sheet, index, start) if sheet else (),
    )


def _source(
    entry: DropEntry,
    roles: Mapping[str, Verdict],
    songs: Mapping[str, str],
    groups: Mapping[str, str],
    notes: Mapping[str, TrackNote],
) -> SourceFile:
    role, evidence = roles[entry.path]
    return SourceFile(
        entry=entry,
        role=role,
        role_evidence=evidence,
        song=songs[entry.path],
        group=groups.get(entry.path),
        note=notes.get(entry.path),
    )


def _notes(tracks: Iterable[TrackNote], index: PathIndex) -> dict[str, TrackNote]:
    notes: dict[str, TrackNote] = {}
    for note in tracks:
        for path in index.named_by(note.pattern):
            notes.setdefault(path, note)
    return notes


def _noted(notes: Mapping[str, TrackNote]) -> dict[str, Verdict]:
    return {
        path: (note.role, f"sheet ({note.pattern})")
        for path, note in notes.items()
        if note.role is not None
    }


def _named_mixes(
    songs: Mapping[str, str], sheet_songs: Iterable[SongNote], index: PathIndex
) -> dict[str, Verdict]:
    mixes: dict[str, Verdict] = {}
    for song in sheet_songs:
        for path in (path for name in song.named_mixes for path in index.named_by(name)):
            if songs[path] == song.title:
                mixes[path] = ("mix", f"sheet (a mix of {song.title})")
    return mixes


def _groups(
    songs: Mapping[str, str], roles: Mapping[str, Verdict], notes: Mapping[str, TrackNote]
) -> dict[str, str]:
    """Find groups by name within each song, then take the sheet's."""
    groups: dict[str, str] = {}
    for title in dict.fromkeys(songs.values()):
        tracks = [
            path
            for path, song in songs.items()
            if song == title and roles[path][0] in _GROUPED_ROLES
        ]
        groups.update(groups_by_name(tracks))
    groups.update({path: note.group for path, note in notes.items() if note.group})
    return groups


def _titles(used: Iterable[str], sheet_songs: Iterable[SongNote]) -> tuple[str, ...]:
    """List the songs that have audio: the sheet's in its order, else by path; "" last."""
    found = dict.fromkeys(used)
    ordered = [song.title for song in sheet_songs if song.title in found]
    ordered += [title for title in found if title and title not in ordered]
    return tuple(dict.fromkeys(ordered + [title for title in found if not title]))


def _unmatched(
    paths: Sequence[str], sheet: SessionSheet, index: PathIndex, start: str
) -> tuple[str, ...]:
    """Patterns and folders of the sheet that meet no audio, in the sheet's order."""
    folders = [
        folder
        for folder in _claimed_folders(sheet.songs)
        if not any(lies_in(path, folder, start) for path in paths)
    ]
    patterns = [text for text in _patterns(sheet) if not index.named_by(text)]
    return tuple(dict.fromkeys([*folders, *patterns]))


def _claimed_folders(songs: Sequence[SongNote]) -> Iterator[str]:
    for song in songs:
        folder = folder_of_song(song) if len(songs) > 1 else song.folder
        if folder:
            yield folder


def _patterns(sheet: SessionSheet) -> Iterator[str]:
    for song in sheet.songs:
        yield from song.files
        yield from song.named_mixes
    for note in sheet.tracks:
        yield note.pattern
