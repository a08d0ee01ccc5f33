"""Hold what came back of a delivery against the package that went out."""

from __future__ import annotations

import csv
from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

from stemprep import __version__
from stemprep.app.check.inspect import OnProgress, fitting_engine, inspected, no_progress
from stemprep.app.check.inspection import Inspection
from stemprep.app.corrections.merged_set import OpenPackage, open_package
from stemprep.app.returns.compare_audio import (
    PAYLOAD,
    Compared,
    changed_regions,
    compare_matches,
    sounds_of,
)
from stemprep.app.returns.new_files import placed_files
from stemprep.checks import judge_return
from stemprep.checks.tell import rate_name
from stemprep.engine import Engine
from stemprep.errors import InputError
from stemprep.intake import open_regular
from stemprep.lineage import Manifest
from stemprep.lineage.forms import format_of, session_formats
from stemprep.lineage.matching import Match, match_originals
from stemprep.lineage.placing import shared_offset
from stemprep.lineage.regions import SoundComparison
from stemprep.lineage.return_list import (
    LIST_NAME,
    MAX_LIST_BYTES,
    lines_by_path,
    parse_return_list,
    use_by_name,
)
from stemprep.model.reconciliation import (
    NewFile,
    OriginalFate,
    Reconciliation,
    Region,
    Returned,
    ReturnLine,
)
from stemprep.model.session import MeasuredFile, Session
from stemprep.naming import PathIndex, file_name, folded, split_extension
from stemprep.package import listed_hashes
from stemprep.spec import shipped_specs

_FALLBACK_SPEC = "base"


@dataclass(frozen=True, slots=True, kw_only=True)
class Held:
    """A return, measured and held against its package; unpacked files live with the context."""

    inspection: Inspection
    package: OpenPackage
    returned: Returned


def reconcile(
    returned: Path,
    package: Path,
    spec_name: str | Path | None = None,
    *,
    everything_asked: bool = False,
    engine: Engine | None = None,
    on_progress: OnProgress = no_progress,
) -> Reconciliation:
    """What came back untouched, changed, not at all, and what is new.

    spec_name: None for the package's own spec where that is a shipped one, else the house rules.
    Raises DeliveryError for a package that is not whole, and what ``inspected`` raises.
    """
    with held_against(
        returned,
        package,
        spec_name,
        everything_asked=everything_asked,
        engine=engine,
        on_progress=on_progress,
    ) as held:
        return judged(held)


def judged(held: Held) -> Reconciliation:
    """The return with its findings."""
    spec = held.inspection.spec
    return Reconciliation(
        stemprep_version=__version__,
        spec_name=spec.name,
        returned=held.returned,
        findings=judge_return(
            held.returned,
            held.inspection.judgement.findings,
            spec,
            held.inspection.measured,
        ),
        notes=(*held.inspection.remarks, *filter(None, [held.returned.list_fault])),
    )


@contextmanager
def held_against(
    returned: Path,
    package: Path,
    spec_name: str | Path | None,
    *,
    everything_asked: bool,
    engine: Engine | None,
    on_progress: OnProgress,
) -> Iterator[Held]:
    """Measure a return and compare it with a package; see ``reconcile`` for what it raises."""
    opened = open_package(package)
    manifest = opened.manifest
    generated = generated_hashes(manifest, listed_hashes(package))
    spec = spec_name or _spec_of(manifest)
    with inspected(returned, spec, engine=engine, on_progress=on_progress) as inspection:
        measured = inspection.measured
        chosen = engine or fitting_engine(measured.session, measured.session.files)
        matches = match_originals(manifest.dropped_files, measured.files, generated)
        sounds = sounds_of(opened, manifest.files, measured.session.root, measured.files)
        compared = compare_matches(matches, sounds, chosen)
        matches = compared.matches
        new_files = placed_files(matches.rest, manifest, sounds, compared.derived, chosen)
        listed = _listed(measured.session)
        new_files, not_there = _with_lines(new_files, measured.files, listed.lines)
        result = Returned(
            package=opened.identity.name,
            number=manifest.delivery,
            returned=measured.session.name,
            originals=_fates(compared, manifest, _lossy(measured.files)),
            new_files=new_files,
            session_formats=session_formats(manifest),
            everything_asked=everything_asked or _are_all_asked_back(manifest),
            given_back=matches.given_back,
            unread=matches.unread,
            offset=shared_offset(new_files),
            list_file=listed.path if listed.lines else "",
            not_there=not_there,
            list_fault=f"{listed.path} was not read: {listed.fault}" if listed.fault else "",
        )
        yield Held(inspection=inspection, package=opened, returned=result)


@dataclass(frozen=True, slots=True, kw_only=True)
class _List:
    """The sheet that the other room was asked to fill in; fault: why it cannot be read."""

    path: str = ""
    lines: tuple[ReturnLine, ...] = ()
    fault: str = ""


def _listed(session: Session) -> _List:
    for entry in session.entries:
        if entry.kind != "document" or folded(file_name(entry.path)) != LIST_NAME:
            continue
        try:
            with open_regular(session.root, entry.raw_path) as stream:
                content = stream.read(MAX_LIST_BYTES + 1)
            if len(content) > MAX_LIST_BYTES:
                raise ValueError(f"it is larger than {MAX_LIST_BYTES:,} bytes")
            return _List(path=entry.path, lines=parse_return_list(content))
        except (ValueError, csv.Error, InputError, OSError) as error:
            return _List(path=entry.path, fault=str(error))
    return _List()


def _with_lines(
    new_files: Sequence[NewFile], files: Sequence[MeasuredFile], lines: Sequence[ReturnLine]
) -> tuple[tuple[NewFile, ...], tuple[str, ...]]:
    """New files with what the list says of them, and what it lists that is not there."""
    found, not_there = lines_by_path(lines, [file.path for file in files])
    return tuple(_with_line(file, found.get(file.file)) for file in new_files), not_there


def _with_line(file: NewFile, line: ReturnLine | None) -> NewFile:
    use = None if line is None else line.use
    return replace(file, listed=line, use=use or use_by_name(file.file))


def generated_hashes(manifest: Manifest, listed: Mapping[str, str]) -> dict[str, str | None]:
    """sha256 -> audio sha256 of everything in a package that was made from no dropped sound.

    listed: sha256 by path relative to the package.
    """
    originals = {f"{PAYLOAD}/{file.path}" for file in manifest.dropped_files}
    found: dict[str, str | None] = {
        digest: None for path, digest in listed.items() if path not in originals
    }
    for file in manifest.files:
        if f"{PAYLOAD}/{file.path}" not in originals:
            found[file.sha256] = file.audio_sha256
    return found


def _spec_of(manifest: Manifest) -> str:
    return manifest.spec_name if manifest.spec_name in shipped_specs() else _FALLBACK_SPEC


def _header_changes(match: Match, regions: Sequence[Region]) -> dict[str, Any]:
    """What the header of an original with the same samples says otherwise.

    Where silence in front is missing, the time reference is right that counts it in.
    """
    if match.returned is None or match.status not in ("header-changed", "rewrapped"):
        return {}
    original, header = match.original, match.returned.facts.header
    known = original.facts if match.matched == "delivered" else original.sources[0].facts
    before, form = known or original.facts, header.format
    rate_hz, start = before.get("sample_rate_hz"), before.get("time_reference_samples")
    words = []
    label_rate_hz = None
    if form is not None and isinstance(rate_hz, int) and form.sample_rate_hz != rate_hz:
        label_rate_hz = form.sample_rate_hz
        words.append(f"its header says {rate_name(label_rate_hz)} instead of {rate_name(rate_hz)}")
    if isinstance(start, int) and match.matched == "delivered":
        start += sum(region.end_sample for region in regions if region.start_sample == 0)
    if isinstance(start, int) and header.time_reference_samples != start:
        reference = header.time_reference_samples
        said = "absent" if reference is None else f"{reference:,}"
        words.append(f"its time reference is {said} instead of {start:,}")
    return {"label_rate_hz": label_rate_hz, "header_words": tuple(words)}


def _are_all_asked_back(manifest: Manifest) -> bool:
    return manifest.sheet is not None and manifest.sheet.originals_back


def _lossy(files: Sequence[MeasuredFile]) -> dict[str, tuple[str, ...]]:
    """Returned files that went through a lossy codec, by their names without extension."""
    found: dict[str, tuple[str, ...]] = {}
    for file in files:
        form = file.facts.format
        if form is not None and form.encoding == "lossy":
            stem = _stem(file.path)
            found[stem] = (*found.get(stem, ()), file.path)
    return found


def _stem(path: str) -> str:
    return folded(split_extension(file_name(path))[0])


def _fates(
    compared: Compared, manifest: Manifest, lossy: Mapping[str, tuple[str, ...]]
) -> tuple[OriginalFate, ...]:
    tracks = () if manifest.sheet is None else manifest.sheet.tracks
    sources = [source.path for file in manifest.dropped_files for source in file.sources]
    index = PathIndex(sources)
    orders: dict[str, tuple[str, ...]] = {}
    for note in tracks:
        for path in index.named_by(note.pattern):
            orders.setdefault(path, note.order.work)
    return tuple(
        _fate(match, compared.changes.get(match.original.path), orders, lossy)
        for match in compared.matches.originals
    )


def _work_on(match: Match, orders: Mapping[str, tuple[str, ...]]) -> tuple[str, ...]:
    """What was ordered on an original: by the sheet that was sent, or by that of the return."""
    work = [each for source in match.original.sources for each in orders.get(source.path, ())]
    if match.returned is not None and match.returned.source.note is not None:
        work += match.returned.source.note.order.work
    return tuple(dict.fromkeys(work))


def _fate(
    match: Match,
    change: SoundComparison | None,
    orders: Mapping[str, tuple[str, ...]],
    lossy: Mapping[str, tuple[str, ...]],
) -> OriginalFate:
    original = match.original
    stems = dict.fromkeys(map(_stem, (original.path, original.sources[0].path)))
    regions = changed_regions(match, change)
    return OriginalFate(
        file=f"{PAYLOAD}/{original.path}",
        source=original.sources[0].path,
        song=original.song,
        role=original.role,
        format=format_of(original),
        frames=original.whole("frames") or 0,
        returned_as=None if match.returned is None else match.returned.path,
        status=match.status,
        matched=match.matched,
        is_renamed=match.is_renamed,
        copies=match.copies,
        regions=regions,
        ordered=_work_on(match, orders),
        is_another=change is not None and change.is_another,
        lossy_copies=tuple(path for stem in stems for path in lossy.get(stem, ())),
        **_header_changes(match, regions),
    )
