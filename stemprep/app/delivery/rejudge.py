"""Judge what would leave the house: the written files, under their sources' names."""

from __future__ import annotations

import os
from collections.abc import Iterable, Sequence
from dataclasses import replace

from stemprep.app.check.inspection import Inspection
from stemprep.app.check.null_tests import with_null_tests_after
from stemprep.checks import CHECKS, judge
from stemprep.engine import Engine, ProcessEngine
from stemprep.model.finding import Finding
from stemprep.model.package import WrittenFile
from stemprep.model.plan import Plan, StartReference
from stemprep.model.report import DeliveredFacts
from stemprep.model.session import (
    DropEntry,
    MeasuredFile,
    MeasuredSession,
    Session,
    SourceFile,
)
from stemprep.model.sheet import BarOne, SessionSheet, Waiver
from stemprep.naming import PathIndex


def judge_outputs(
    inspection: Inspection,
    planned: Plan,
    written: Sequence[WrittenFile],
    engine: Engine | None = None,
) -> DeliveredFacts:
    """What the written files show, under their paths in the package.

    Bars are counted from where the plan has put them.
    What only the drop can show (litter, unsafe entries, waivers without a match) is not asked.
    Whether the stems add up to the mix is asked again where samples were written anew.
    """
    session = inspection.measured.session
    files = tuple(_measured(inspection, file) for file in written)
    again = replace(
        session,
        root=_staged_root(written),
        entries=tuple(file.source.entry for file in files),
        files=tuple(file.source for file in files),
        sheet=None
        if session.sheet is None
        else _with_bars_as_planned(
            _sheet_for_outputs(session.sheet, session, written), session, planned
        ),
    )
    sources = {file.plan.path: file.plan.sources[0] for file in written}
    measured = with_null_tests_after(
        MeasuredSession(session=again, files=files),
        inspection.measured,
        sources,
        engine or ProcessEngine(),
    )
    findings = judge(measured, inspection.spec).findings
    return DeliveredFacts(
        findings=tuple(each for each in findings if not CHECKS[each.check].nature.is_of_drop),
        null_tests=measured.null_tests,
        untested_sums=measured.untested_sums,
    )


def named_by_source(
    findings: Iterable[Finding], written: Sequence[WrittenFile]
) -> tuple[Finding, ...]:
    """Findings on written files, these called by the path of their first source."""
    sources = {file.plan.path: file.plan.sources[0] for file in written}
    return tuple(_by_source(finding, sources) for finding in findings)


def _staged_root(written: Sequence[WrittenFile]) -> str:
    """Folder that the paths of all written files are below; "" where nothing was written."""
    return next((file.staged.removesuffix(f"/{file.plan.path}") for file in written), "")


def _measured(inspection: Inspection, file: WrittenFile) -> MeasuredFile:
    by_path = {source.path: source for source in inspection.measured.session.files}
    first = by_path[file.plan.sources[0]]
    entry = DropEntry(
        path=file.plan.path,
        raw_path=os.fsencode(file.plan.path),
        kind="audio",
        size_bytes=file.size_bytes,
    )
    source = SourceFile(
        entry=entry,
        role=file.plan.role,
        role_evidence=first.role_evidence,
        song=file.plan.song,
        group=first.group,
        note=first.note,
    )
    return MeasuredFile(source=source, facts=file.after)


def _sheet_for_outputs(
    sheet: SessionSheet, session: Session, written: Sequence[WrittenFile]
) -> SessionSheet:
    """The sheet with every waiver rewritten for the files its source became."""
    index = PathIndex((source.path for source in session.files), session.sheet_folder)
    waivers = tuple(
        _for_output(waiver, file)
        for waiver in sheet.waivers
        for file in written
        if set(index.named_by(waiver.file)).intersection(file.plan.sources)
    )
    return replace(sheet, waivers=waivers)


def _with_bars_as_planned(sheet: SessionSheet, session: Session, planned: Plan) -> SessionSheet:
    """The sheet with bar 1 of each song where it lies in the written files."""
    placed = {
        note: replace(note, bar_1=_bar_1(reference))
        for title, reference in planned.references.items()
        if (note := session.note_of(title)) is not None
    }
    return replace(sheet, songs=tuple(placed.get(note, note) for note in sheet.songs))


def _bar_1(reference: StartReference) -> BarOne | None:
    if reference.bar_1_samples is None:
        return None
    return BarOne(samples=(reference.start_samples or 0) + reference.bar_1_samples)


def _for_output(waiver: Waiver, file: WrittenFile) -> Waiver:
    is_signed_for_this = waiver.audio_sha256 in [facts.audio_sha256 for facts in file.before]
    return replace(
        waiver,
        file=file.plan.path,
        audio_sha256=file.after.audio_sha256 if is_signed_for_this else waiver.audio_sha256,
    )


def _by_source(finding: Finding, sources: dict[str, str]) -> Finding:
    def source(path: str) -> str:
        return sources.get(path, path)

    return replace(
        finding,
        file=None if finding.file is None else source(finding.file),
        files=tuple(source(path) for path in finding.files),
        against=tuple(source(path) for path in finding.against),
    )
