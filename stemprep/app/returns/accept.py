"""Accept a return: the next delivery of the session, originals of the package, new files beside.

Originals are carried byte for byte. An original that came back changed joins under a name of its
own as an alternate: both stay, and a person chooses. New files are placed by their time references;
a late one is moved by its measured lag only where that is ordered for this very file.
"""

from __future__ import annotations

import hashlib
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

from stemprep.app.check.inspect import OnProgress, no_progress
from stemprep.app.corrections.correction import amended_sheet
from stemprep.app.corrections.merged_set import (
    Joining,
    MergedSet,
    inspect_merged,
    merge,
    merged_names,
)
from stemprep.app.delivery.deliver import deliver_prepared
from stemprep.app.delivery.destinations import Destination, refuse_destinations
from stemprep.app.delivery.prepare import prepared_merged
from stemprep.app.returns.compare_audio import PAYLOAD
from stemprep.app.returns.positions import Stand, stands_of
from stemprep.app.returns.reconcile import Held, held_against, judged
from stemprep.checks.late_entry import ID as LATE_ENTRY
from stemprep.checks.mixed_formats import ID as MIXED_FORMATS
from stemprep.checks.unplaced import ID as UNPLACED
from stemprep.checks.wrong_speed import ID as WRONG_SPEED
from stemprep.engine import Engine
from stemprep.errors import UsageError
from stemprep.intake import open_regular
from stemprep.model.finding import Finding
from stemprep.model.reconciliation import (
    NewFile,
    OriginalFate,
    Reconciliation,
    ReturnLine,
    Taken,
)
from stemprep.model.report import Report
from stemprep.model.session import DropEntry, MeasuredFile
from stemprep.model.sheet import TrackNote, WorkOrder
from stemprep.naming import distinct_paths, split_extension
from stemprep.package import listed_hashes

_COPY_BYTES = 1 << 20
RETURNED = "returned"


@dataclass(frozen=True, slots=True, kw_only=True)
class Acceptance:
    """An order to accept a return: where to deliver, which files to move by their lag, and where
    others begin (``FILE=SAMPLES`` or ``FILE=bar 17``).
    """

    destinations: tuple[Destination, ...]
    moves: tuple[str, ...] = ()
    places: tuple[str, ...] = ()


def acceptance_of(
    *,
    is_accepted: bool,
    destinations: Sequence[Destination],
    moves: Sequence[str],
    places: Sequence[str] = (),
) -> Acceptance | None:
    """The order that a command line gives; UsageError where its options do not go together."""
    if is_accepted and not destinations:
        raise UsageError("--accept makes a package: name the folder for it with --to")
    if not is_accepted and (destinations or moves or places):
        option = "--to" if destinations else "--move" if moves else "--place"
        raise UsageError(f"{option} is for accepting a return: give --accept too, or leave it out")
    if not is_accepted:
        return None
    return Acceptance(destinations=tuple(destinations), moves=tuple(moves), places=tuple(places))


def accept(
    returned: Path,
    package: Path,
    order: Acceptance,
    spec_name: str | Path | None = None,
    *,
    everything_asked: bool = False,
    engine: Engine | None = None,
    on_progress: OnProgress = no_progress,
) -> Reconciliation:
    """Reconcile a return and publish the next delivery of its session in every destination.

    ``accepted`` is None when a finding stopped it; that finding is then among the others. Raises
    UsageError for a move that nothing was measured for, and what ``reconcile`` and ``deliver`` do.
    """
    refuse_destinations(order.destinations, returned, package)
    with held_against(
        returned,
        package,
        spec_name,
        everything_asked=everything_asked,
        engine=engine,
        on_progress=on_progress,
    ) as held:
        result = judged(held)
        stands, obstacles = stands_of(held, order.moves, order.places)
        obstacles += _at_another_speed(result.findings, stands)
        fails = [each for each in result.findings if each.severity == "fail" and each.counts]
        if obstacles or fails:
            stopped = {(each.check, each.file) for each in obstacles}
            others = [each for each in result.findings if (each.check, each.file) not in stopped]
            return replace(result, findings=(*obstacles, *others))
        merged, names = merged_with_return(held, stands)
        inspection = inspect_merged(
            merged, held.inspection.spec, engine=engine, on_progress=on_progress
        )
        prepared = prepared_merged(inspection, merged, is_return=True)
        report = deliver_prepared(
            prepared, order.destinations, engine=engine, on_progress=on_progress
        )
        return _with_delivery(result, report, names, stands)


def _at_another_speed(
    findings: Sequence[Finding], stands: Mapping[str, Stand]
) -> Iterator[Finding]:
    """Takes that would lie beside the beat from some bar on: nothing is converted unordered."""
    for each in findings:
        is_open = each.check == WRONG_SPEED and each.severity == "warn" and each.counts
        is_ordered = any(stands[path].order.undo_stretch for path in each.files if path in stands)
        if is_open and not is_ordered:
            yield replace(each, severity="fail")


def _with_delivery(
    result: Reconciliation, report: Report, names: Mapping[str, str], stands: Mapping[str, Stand]
) -> Reconciliation:
    """What came back, and the delivery that was made of it or what stopped it."""
    if report.package is not None and report.plan is not None:
        taken = tuple(
            Taken(file=names[source], output=output)
            for output in report.plan.outputs
            for source in output.sources
            if source in names
        )
        repaired = tuple(each for each in result.findings if _is_repaired(each, taken, stands))
        return replace(
            result,
            accepted=report.package,
            taken=taken,
            repaired=repaired,
            findings=tuple(each for each in result.findings if each not in repaired),
            notes=(*result.notes, *report.notes, *_undone(taken, stands, result.spec_name)),
        )
    stopping = [each for each in report.findings if each.severity == "fail" and each.counts]
    others = [each for each in result.findings if each not in stopping]
    return replace(result, findings=(*stopping, *others))


def _undone(taken: Sequence[Taken], stands: Mapping[str, Stand], spec_name: str) -> Iterator[str]:
    done = _moved_files(taken, stands)
    for path, stand in stands.items():
        is_ordered = stand.is_lag_out or stand.is_placed
        if is_ordered and stand.order.move_samples and path not in done:
            yield f"{path}: the ordered move is not done; the spec {spec_name} moves nothing"


def _moved_files(taken: Sequence[Taken], stands: Mapping[str, Stand]) -> set[str]:
    """The files that a person ordered to their place and whose plan puts them there.

    An archive copies them all as they are.
    """
    return {
        each.file
        for each in taken
        if each.file in stands
        and (stands[each.file].is_lag_out or stands[each.file].is_placed)
        and any(
            step.name == "place" and step.evidence == stands[each.file].order.move_reason
            for step in each.output.operations
        )
    }


def _is_repaired(finding: Finding, taken: Sequence[Taken], stands: Mapping[str, Stand]) -> bool:
    """Tell whether the delivery removes it from every file that it names."""
    if finding.check == UNPLACED:
        return all(path in stands and stands[path].is_placed for path in finding.files)
    if finding.check == WRONG_SPEED:
        undone = {
            each.file
            for each in taken
            if any("true_hz" in step.parameters for step in each.output.operations)
        }
        return set(finding.files) <= undone
    if finding.check == LATE_ENTRY:
        return set(finding.files) <= _moved_files(taken, stands)
    if finding.check != MIXED_FORMATS:
        return False
    wanted = "convert-rate" if finding.unit == "Hz" else "convert-word-length"
    done = {
        each.file for each in taken if any(step.name == wanted for step in each.output.operations)
    }
    return bool(finding.files) and set(finding.files) <= done


# --- what joins the package


def merged_with_return(held: Held, stands: Mapping[str, Stand]) -> tuple[MergedSet, dict[str, str]]:
    """The package with the new files, the changed originals as alternates, and new documents.

    Also gives, by the name that each of these sounds has in it, its path in the return.
    """
    manifest = held.package.manifest
    names = merged_names(manifest.dropped_files)
    measured = {file.path: file for file in held.inspection.measured.files}
    joining = {
        file.file: _new_joining(file, measured[file.file], held, stands[file.file])
        for file in held.returned.new_files
    }
    joining |= {
        fate.returned_as: _changed_joining(fate, measured[fate.returned_as], held, names)
        for fate in held.returned.originals
        if fate.status == "changed" and fate.returned_as is not None
    }
    everything = [*joining.values(), *_documents(held)]
    sheet = amended_sheet(manifest.sheet, None, manifest.dropped_files, names)
    apart = _apart(everything, [*names.values(), *(each.source for each in manifest.documents)])
    given = (one.entry.path for one in apart)
    return merge(held.package, apart, sheet=sheet, names=names), dict(
        zip(given, joining, strict=False)
    )


def _new_joining(file: NewFile, measured: MeasuredFile, held: Held, stand: Stand) -> Joining:
    """A new file; that its time reference is followed was decided when it was reconciled."""
    note = measured.source.note or TrackNote(pattern=file.file)
    return Joining(
        root=held.inspection.measured.session.root,
        entry=measured.source.entry,
        role=file.role,
        song=file.song,
        note=replace(_as_listed(note, file), order=stand.order),
    )


def _as_listed(note: TrackNote, file: NewFile) -> TrackNote:
    """The note with what the other room's list says where a sheet does not; kept or alternate."""
    line = file.listed or ReturnLine(file=file.file)
    return replace(
        note,
        source=note.source or line.part or line.player or None,
        microphone=note.microphone or line.microphone or None,
        chain=note.chain or line.printed_with or None,
        take=note.take or line.take or None,
        notes=note.notes or line.notes or None,
        use=file.use if file.use is not None and note.use == "main" else note.use,
    )


def _changed_joining(
    fate: OriginalFate, measured: MeasuredFile, held: Held, names: dict[str, str]
) -> Joining:
    """An original that came back changed: an alternate of the one that is carried."""
    original = names[fate.file.removeprefix(f"{PAYLOAD}/")]
    stem, _ = split_extension(original)
    extension = split_extension(measured.path)[1]
    note = measured.source.note or TrackNote(pattern=measured.path)
    order = WorkOrder(move_samples=0)
    return Joining(
        root=held.inspection.measured.session.root,
        entry=replace(measured.source.entry, path=f"{stem}_{RETURNED}{extension}"),
        role=fate.role,
        song=fate.song,
        note=replace(note, use="alternate", alternate_of=original, order=order),
    )


def _documents(held: Held) -> Iterator[Joining]:
    """Documents that the other room added; what the package holds already stays out."""
    session = held.inspection.measured.session
    known = set(listed_hashes(Path(held.package.root)).values())
    for entry in session.entries:
        if entry.kind not in ("document", "sheet"):
            continue
        digest = hashlib.sha256()
        with open_regular(session.root, entry.raw_path) as stream:
            while piece := stream.read(_COPY_BYTES):
                digest.update(piece)
        if digest.hexdigest() not in known and not _is_of_a_bag(entry):
            document = replace(entry, kind="document", path=f"{RETURNED}/{entry.path}")
            yield Joining(root=session.root, entry=document)


def _is_of_a_bag(entry: DropEntry) -> bool:
    """Tag files of a package that was sent back whole speak of that package alone."""
    name = entry.path.rpartition("/")[2]
    return name in ("bagit.txt", "bag-info.txt") or name.startswith(("manifest-", "tagmanifest-"))


def _apart(joining: Sequence[Joining], taken: Sequence[str]) -> list[Joining]:
    """No two names alike, and none that the package has already."""
    paths = distinct_paths([*taken, *(one.entry.path for one in joining)])[len(taken) :]
    return [
        replace(one, entry=replace(one.entry, path=path))
        for one, path in zip(joining, paths, strict=True)
    ]
