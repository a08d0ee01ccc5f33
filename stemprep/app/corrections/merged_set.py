"""A set made of a verified package's files and others that join them, ready to be delivered.

Files of the package are carried byte for byte, whatever the spec would do to them: they have been
prepared and proved before. What joins them is checked and prepared as in any delivery, and all
checks see the whole set. Names, roles, songs and sheet come from the package's manifest.
"""

from __future__ import annotations

import os
from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

from stemprep.app.check.inspect import OnProgress, judged, no_progress, tempo_files
from stemprep.app.check.inspection import Inspection
from stemprep.app.packages.open_package import read_predecessor
from stemprep.engine import Engine
from stemprep.errors import DeliveryError, SpecError
from stemprep.intake import SHEET_NAMES, Scan, build_session
from stemprep.lineage import DeliveredDocument, DeliveredFile, Manifest, parse_manifest
from stemprep.model.package import Predecessor
from stemprep.model.rule import DeliverySpec
from stemprep.model.session import DropEntry, Session, SourceFile
from stemprep.model.sheet import SessionSheet, TrackNote, WorkOrder
from stemprep.model.words import Role
from stemprep.naming import PathIndex, distinct_paths, file_name, split_extension
from stemprep.package import read_manifest


@dataclass(frozen=True, slots=True, kw_only=True)
class OpenPackage:
    """A package that was verified: its folder, links resolved; what it tells; its identity."""

    root: str
    manifest: Manifest
    identity: Predecessor


@dataclass(frozen=True, slots=True, kw_only=True)
class Joining:
    """One file that joins those of a package.

    root:     absolute folder, links resolved, that the entry's raw path is relative to.
    entry:    as listed there; its path is its name in the merged set.
    replaces: package files (paths below the payload) whose place it takes; none: it is new.
    role, song: None: those of what it replaces, else by sheet, folder and name.
    note:     what is said of it; None: what the sheet says.
    """

    root: str
    entry: DropEntry
    replaces: tuple[str, ...] = ()
    role: Role | None = None
    song: str | None = None
    note: TrackNote | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class MergedSet:
    """A session of two origins.

    carried: name in the session -> the package's file, as its manifest tells it.
    joined:  name in the session -> what joined.
    """

    session: Session
    package: OpenPackage
    carried: Mapping[str, DeliveredFile]
    joined: Mapping[str, Joining]


def open_package(package: Path) -> OpenPackage:
    """Verify a package and read its manifest; DeliveryError unless it is whole and ours."""
    identity = read_predecessor(package)
    manifest = parse_manifest(read_manifest(package), package.name)
    return OpenPackage(root=str(package.resolve()), manifest=manifest, identity=identity)


def merged_names(files: Sequence[DeliveredFile]) -> dict[str, str]:
    """Give each package file (by payload path) its name in a merged set, no two of them equal.

    It is the dropped name, which sheet and waivers speak of; where a file was made of two, is one
    of several made of one, or is in another container, its own name in the source's folder.
    """
    shared = Counter(source.path for file in files for source in file.sources)
    wanted = [_wanted_name(file, shared) for file in files]
    given = distinct_paths(wanted)
    return {file.path: name for file, name in zip(files, given, strict=True)}


def _wanted_name(file: DeliveredFile, all_sources: Mapping[str, int]) -> str:
    first = file.sources[0].path
    is_same_kind = _extension(first) == _extension(file.path)
    if len(file.sources) == 1 and all_sources[first] == 1 and is_same_kind:
        return first
    folder, slash, _ = first.rpartition("/")
    return f"{folder}{slash}{file_name(file.path)}"


def _extension(path: str) -> str:
    return split_extension(file_name(path))[1].casefold()


def merge(
    package: OpenPackage,
    joining: Sequence[Joining],
    *,
    sheet: SessionSheet | None,
    names: Mapping[str, str] | None = None,
) -> MergedSet:
    """Put a package's files and those that join them into one session.

    joining: audio, documents, and whatever else lies with them; an audio file takes the place of
             the files it ``replaces``, a document that of one with the same name in the drop.
    sheet:   that holds for the whole; patterns count from the names in the merged set.
    names:   of the package's files, as ``merged_names`` gives them.
    """
    manifest = package.manifest
    names = merged_names(manifest.dropped_files) if names is None else names
    replaced = {path for one in joining for path in one.replaces}
    carried = {
        names[file.path]: file for file in manifest.dropped_files if file.path not in replaced
    }
    joined = {one.entry.path: one for one in joining}
    _refuse_twins(carried, joined)
    common = os.path.commonpath([package.root, *(one.root for one in joining)])
    entries = [_moved(one.entry, one.root, common) for one in joining]
    entries += [_package_entry(package, name, file.path, common) for name, file in carried.items()]
    entries += [
        _document_entry(package, document, common, sheet)
        for document in manifest.documents
        if document.source not in joined
    ]
    scan = Scan(
        name=_plain_name(package),
        root=common,
        archive=None,
        entries=tuple(sorted(_one_sheet(entries), key=lambda entry: _key(entry.path))),
    )
    delivered_sheet = _with_bars_as_delivered(sheet, manifest)
    session = build_session(scan, _with_tempo_files(delivered_sheet, scan))
    merged = MergedSet(session=session, package=package, carried=carried, joined=joined)
    return replace(merged, session=_as_in_manifest(merged))


def _refuse_twins(carried: Mapping[str, DeliveredFile], joined: Mapping[str, Joining]) -> None:
    for path in sorted(carried.keys() & joined.keys()):
        raise DeliveryError(
            f"{path}: a file of the package has this name and is not replaced by it; "
            "give the new file another name"
        )


def _key(path: str) -> bytes:
    return path.encode("utf-8", "surrogateescape")


def _moved(entry: DropEntry, root: str, common: str) -> DropEntry:
    return replace(entry, raw_path=_below(root, common) + entry.raw_path)


def _below(root: str, common: str) -> bytes:
    way = os.path.relpath(root, common)
    return b"" if way == "." else os.fsencode(way) + b"/"


def _package_entry(package: OpenPackage, name: str, path: str, common: str) -> DropEntry:
    return DropEntry(
        path=name,
        raw_path=_below(package.root, common) + b"data/" + _key(path),
        kind="audio",
        reason=f"carried from {package.identity.name}",
    )


def _document_entry(
    package: OpenPackage, document: DeliveredDocument, common: str, sheet: SessionSheet | None
) -> DropEntry:
    is_sheet = sheet is not None and file_name(document.source).casefold() in SHEET_NAMES
    return DropEntry(
        path=document.source,
        raw_path=_below(package.root, common) + b"data/" + _key(document.path),
        kind="sheet" if is_sheet else "document",
        size_bytes=document.size_bytes,
        reason=f"carried from {package.identity.name}",
    )


def _one_sheet(entries: Sequence[DropEntry]) -> list[DropEntry]:
    """Of several sheets the first holds, which is the one that joined; the rest are documents."""
    first = next((entry for entry in entries if entry.kind == "sheet"), None)
    return [
        replace(entry, kind="document") if entry.kind == "sheet" and entry is not first else entry
        for entry in entries
    ]


def _with_bars_as_delivered(sheet: SessionSheet | None, manifest: Manifest) -> SessionSheet | None:
    """The sheet with bar 1 where it lies in the package's files, unless it is said anew."""
    if sheet is None or manifest.sheet is None:
        return sheet
    before = {song.title: song.bar_1 for song in manifest.sheet.songs}
    songs = tuple(
        replace(song, bar_1=manifest.bars_1[song.title])
        if song.title in manifest.bars_1 and song.bar_1 == before.get(song.title)
        else song
        for song in sheet.songs
    )
    return replace(sheet, songs=songs)


def _with_tempo_files(sheet: SessionSheet | None, scan: Scan) -> SessionSheet | None:
    """The sheet with what the tempo files say that it names; the package carries them."""
    if sheet is None or not any(song.tempo_file for song in sheet.songs):
        return sheet
    read = tempo_files(scan)
    try:
        songs = tuple(
            song if song.tempo_file is None else replace(song, tempo_read=read(song.tempo_file))
            for song in sheet.songs
        )
    except ValueError as error:
        raise SpecError((f"session sheet: tempo_file {error}",)) from error
    return replace(sheet, songs=songs)


def _plain_name(package: OpenPackage) -> str:
    """The folder's name without spec and number: what a next delivery of it is called after."""
    manifest = package.manifest
    return package.identity.name.removesuffix(f"_{manifest.spec_name}_{manifest.delivery:02d}")


def _as_in_manifest(merged: MergedSet) -> Session:
    """The session with roles, songs and notes as the manifest tells them."""
    files = tuple(_source_of_manifest(source, merged) for source in merged.session.files)
    known = dict.fromkeys((*merged.session.songs, *(file.song for file in files)))
    present = {file.song for file in files}
    songs = tuple(title for title in known if title in present)
    return replace(merged.session, files=files, songs=songs, unmatched=())


def _source_of_manifest(source: SourceFile, merged: MergedSet) -> SourceFile:
    delivered = merged.carried.get(source.path)
    if delivered is not None:
        note = _without_orders(source.note or _note_of_sources(delivered, merged))
        return replace(_as_delivered(source, delivered, merged), note=note)
    joining = merged.joined[source.path]
    by_path = {file.path: file for file in merged.package.manifest.files}
    before = [by_path[path] for path in joining.replaces if path in by_path]
    if before:
        source = _as_delivered(source, before[0], merged)
    titles = {file.song for file in merged.package.manifest.dropped_files}
    if joining.song is None and not before and source.song not in titles:
        source = replace(source, song=titles.pop() if len(titles) == 1 else "")
    return replace(
        source,
        role=joining.role or source.role,
        song=source.song if joining.song is None else joining.song,
        note=joining.note or source.note,
    )


def _as_delivered(source: SourceFile, delivered: DeliveredFile, merged: MergedSet) -> SourceFile:
    """With song and role as delivered; a role that the sheet names goes before."""
    if source.note is not None and source.note.role is not None:
        return replace(source, song=delivered.song)
    evidence = f"as in the package {merged.package.identity.name}"
    return replace(source, role=delivered.role, role_evidence=evidence, song=delivered.song)


def _note_of_sources(delivered: DeliveredFile, merged: MergedSet) -> TrackNote | None:
    """What the sheet says of a file that two were joined into: what it says of the first."""
    sheet = merged.session.sheet
    if sheet is None:
        return None
    index = PathIndex([source.path for source in delivered.sources], merged.session.sheet_folder)
    named = (note for note in sheet.tracks if index.named_by(note.pattern))
    return next((replace(note, pair_of=None) for note in named), None)


def _without_orders(note: TrackNote | None) -> TrackNote | None:
    """Ordered work was done when the file was first delivered; it is never done twice."""
    return None if note is None else replace(note, order=WorkOrder())


def inspect_merged(
    merged: MergedSet,
    spec: DeliverySpec,
    *,
    engine: Engine | None = None,
    on_progress: OnProgress = no_progress,
) -> Inspection:
    """Measure and judge a merged set; raises DeliveryError where a carried file has changed."""
    inspection = judged(merged.session, spec, engine=engine, on_progress=on_progress)
    for file in inspection.measured.files:
        delivered = merged.carried.get(file.path)
        if delivered is not None and file.facts.sha256 != delivered.sha256:
            raise DeliveryError(
                f"{merged.package.root}: {delivered.path} is not what manifest.json tells; "
                "take another copy of the package"
            )
    return inspection
