"""Which file of a package each dropped file corrects, and a drop of corrections as a session."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, field, fields, replace
from pathlib import Path

from stemprep.app.check.inspect import unpacking_place
from stemprep.app.corrections.merged_set import (
    Joining,
    MergedSet,
    OpenPackage,
    merge,
    merged_names,
    open_package,
)
from stemprep.app.packages.open_package import package_identity
from stemprep.errors import InputError, UsageError
from stemprep.intake import Scan, read_sheet, scan_drop
from stemprep.lineage import DeliveredFile
from stemprep.model.session import DropEntry
from stemprep.model.sheet import SessionSheet, Waiver
from stemprep.naming import PathIndex, collision_key, file_name, split_extension
from stemprep.spec import load_sheet, shipped_specs

_FEW = 4


@dataclass(frozen=True, slots=True, kw_only=True)
class Correction:
    """An order to correct a package: where it lies, and why; None: as the sheet says."""

    package: Path
    reason: str | None = None


def correction_of(
    package: Path | None, reason: str | None, after: Path | None = None
) -> Correction | None:
    """The correction that a command line orders; UsageError where its options contradict."""
    if package is None:
        if reason is not None:
            raise UsageError("--reason says why a package is corrected: name it with --amends")
        return None
    if after is not None:
        raise UsageError("--amends names the package that this delivery follows; leave out --after")
    return Correction(package=package, reason=reason)


def spec_for(spec_name: str | None, correction: Correction | None) -> str:
    """The spec that was named, else the one that the corrected package was made by.

    Raises UsageError where neither is known, DeliveryError for what is no package of ours.
    """
    if spec_name is not None:
        return spec_name
    if correction is None:
        raise UsageError("no spec is named: add --spec, for example --spec mastering")
    made_by = package_identity(correction.package).manifest.spec_name
    if made_by not in shipped_specs():
        raise UsageError(
            f"{correction.package} was made by the spec {made_by!r}, which is none that comes with "
            "stemprep: name its file with --spec"
        )
    return made_by


@contextmanager
def merged_with_corrections(drop: Path, package: Path) -> Iterator[MergedSet]:
    """A package with the corrected files of a drop in their places.

    A zip's unpacked files live as long as the context. Raises DeliveryError for what is no whole
    package of ours, InputError for a drop with nothing in it, UsageError where it is not clear
    what a file corrects.
    """
    opened = open_package(package)
    with unpacking_place(drop) as workspace:
        scan = scan_drop(drop, workspace)
        if not any(entry.kind in ("audio", "document", "sheet") for entry in scan.entries):
            raise InputError(
                f"{drop}: holds nothing that could correct {package}; drop the corrected files"
            )
        content = read_sheet(scan)  # its tempo files may lie in the package
        sheet = None if content is None else load_sheet(content, "session.yaml")
        yield correct(opened, scan, sheet)


def correct(package: OpenPackage, scan: Scan, sheet: SessionSheet | None) -> MergedSet:
    """Put the files of a scanned drop in the places of those that they correct."""
    delivered = package.manifest.dropped_files
    names = merged_names(delivered)
    finder = _Finder.of(delivered, names)
    found = [
        _joining(entry, scan.root, finder)
        if entry.kind == "audio"
        else _beside(entry, scan, package)
        for entry in scan.entries
    ]
    _refuse_doubles(found)
    _refuse_halves(found, finder)
    whole = amended_sheet(package.manifest.sheet, sheet, delivered, names)
    return merge(package, found, sheet=whole, names=names)


def _beside(entry: DropEntry, scan: Scan, package: OpenPackage) -> Joining:
    """A document; a sheet lies where the package's lay, from which its patterns may count."""
    if entry.kind != "sheet":
        return Joining(root=scan.root, entry=entry)
    known = [document.source for document in package.manifest.documents]
    same = [
        path for path in known if file_name(path).casefold() == file_name(entry.path).casefold()
    ]
    place = min(same, key=lambda path: path.count("/"), default=entry.path)
    return Joining(root=scan.root, entry=replace(entry, path=place))


# --- what a file corrects


@dataclass(frozen=True, slots=True)
class _Finder:
    """Package files by the names that people know them by, compared as disks compare names."""

    names: Mapping[str, str]
    by_payload: Mapping[str, DeliveredFile]
    by_source: dict[str, list[DeliveredFile]] = field(default_factory=dict)
    by_place: dict[str, list[DeliveredFile]] = field(default_factory=dict)
    by_name: dict[str, list[DeliveredFile]] = field(default_factory=dict)

    @staticmethod
    def of(files: Sequence[DeliveredFile], names: Mapping[str, str]) -> _Finder:
        finder = _Finder(names, {file.path: file for file in files})
        for file in files:
            sources = [source.path for source in file.sources]
            _put(finder.by_source, sources, file)
            _put(finder.by_place, [file.path, f"data/{file.path}"], file)
            _put(finder.by_name, [file_name(path) for path in (*sources, file.path)], file)
        return finder

    def sought(self, path: str) -> list[DeliveredFile]:
        """What a dropped path names: as dropped before, else as in the package, else by name."""
        key = _key(path)
        return (
            self.by_source.get(key)
            or self.by_place.get(key)
            or self.by_name.get(_key(file_name(path)))
            or []
        )


def _key(path: str) -> str:
    return collision_key(path, is_extension_ignored=True)


def _put(table: dict[str, list[DeliveredFile]], paths: Sequence[str], file: DeliveredFile) -> None:
    for key in dict.fromkeys(_key(path) for path in paths):
        table.setdefault(key, []).append(file)


def _joining(entry: DropEntry, root: str, finder: _Finder) -> Joining:
    files = finder.sought(entry.path)
    if not files:
        return Joining(root=root, entry=entry)
    sources = dict.fromkeys(source.path for file in files for source in file.sources)
    is_part = _key(entry.path) in {_key(path) for path in sources}
    if len(files) > 1 and not (is_part and len(sources) == 1):
        shown = ", ".join(file.path for file in files[:_FEW])
        raise UsageError(
            f"{entry.path}: may correct {len(files)} files of the package ({shown}"
            f"{', ...' if len(files) > _FEW else ''}); give it the folders of the one it corrects"
        )
    as_dropped = next((path for path in sources if _key(path) == _key(entry.path)), None)
    if as_dropped is None and len(files[0].sources) > 1:
        as_dropped = _named_source(entry, files[0])
    name = as_dropped or finder.names[files[0].path]
    renamed = split_extension(name)[0] + split_extension(entry.path)[1]
    return Joining(
        root=root,
        entry=replace(entry, path=renamed),
        replaces=tuple(file.path for file in files),
    )


def _named_source(entry: DropEntry, file: DeliveredFile) -> str | None:
    """Of the files that one was joined from, the one with this file's name."""
    name = _key(file_name(entry.path))
    return next((s.path for s in file.sources if _key(file_name(s.path)) == name), None)


def _refuse_doubles(found: Sequence[Joining]) -> None:
    seen: dict[str, Joining] = {}
    for one in found:
        other = seen.setdefault(_key(one.entry.path) if one.replaces else one.entry.path, one)
        if other is not one:
            raise UsageError(
                f"two dropped files correct {one.entry.path} (one lies as "
                f"{other.entry.raw_path.decode('utf-8', 'replace')}); drop one of them"
            )


def _refuse_halves(found: Sequence[Joining], finder: _Finder) -> None:
    """A file that was joined from two is corrected by both, or by one in its own name."""
    given = {_key(one.entry.path) for one in found}
    for one in found:
        for path in one.replaces:
            sources = [source.path for source in finder.by_payload[path].sources]
            missing = [source for source in sources if _key(source) not in given]
            is_whole = _key(one.entry.path) == _key(finder.names[path])
            if len(sources) > 1 and missing and not is_whole:
                raise UsageError(
                    f"{one.entry.path}: the package holds it joined with {missing[0]} as {path}; "
                    f"drop {missing[0]} too, or one file named {file_name(path)}"
                )


# --- what the sheet says now


def amended_sheet(
    before: SessionSheet | None,
    now: SessionSheet | None,
    delivered: Sequence[DeliveredFile],
    names: Mapping[str, str],
) -> SessionSheet | None:
    """The package's sheet with what a new one says: field by field, songs by title.

    Tracks and waivers of the new sheet go before the old ones. An old waiver holds for the sound
    that it was signed for: what replaces it needs a new signature.
    """
    if before is None:
        return now
    said = now or SessionSheet()
    nothing = SessionSheet()
    changed = {
        item.name: getattr(said, item.name)
        for item in fields(SessionSheet)
        if getattr(said, item.name) != getattr(nothing, item.name)
    }
    merged = replace(before, delivery=None, correction=None, warnings=())
    songs = {song.title: song for song in before.songs} | {song.title: song for song in said.songs}
    return replace(
        replace(merged, **changed),
        songs=tuple(songs.values()),
        tracks=(*said.tracks, *before.tracks),
        waivers=(*said.waivers, *_bound(before.waivers, delivered, names)),
    )


def _bound(
    waivers: Sequence[Waiver], delivered: Sequence[DeliveredFile], names: Mapping[str, str]
) -> list[Waiver]:
    """Each waiver once for each sound that it was signed for, by the names of the merged set."""
    owners: dict[str, list[DeliveredFile]] = {}
    for file in delivered:
        for path in dict.fromkeys((names[file.path], *(source.path for source in file.sources))):
            owners.setdefault(path, []).append(file)
    index = PathIndex(owners)
    by_path = {file.path: file for file in delivered}
    return [
        replace(
            waiver,
            file=names[path],
            audio_sha256=waiver.audio_sha256 or by_path[path].audio_sha256,
        )
        for waiver in waivers
        for path in dict.fromkeys(
            file.path for name in index.named_by(waiver.file) for file in owners[name]
        )
    ]
