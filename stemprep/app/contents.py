"""What a package holds besides audio: documents, reports, note, and what it says of itself."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

from stemprep.app.inspect import Inspection
from stemprep.intake import open_regular
from stemprep.model.package import PackageContent, Predecessor, StagedDocument, WrittenFile
from stemprep.model.plan import Plan
from stemprep.model.report import Report
from stemprep.model.rule import Contents
from stemprep.model.session import Session, SourceFile
from stemprep.package import Staging, check_commands, made_with
from stemprep.report import delivery_note, render_html, render_json, render_readme, render_text

UNNAMED = "untitled session"
THIS_FOLDER = "the folder that holds this report"


def add_documents(
    inspection: Inspection, planned: Plan, staging: Staging
) -> tuple[StagedDocument, ...]:
    """Carry the planned documents, byte for byte."""
    session = inspection.measured.session
    raw_paths = {entry.path: entry.raw_path for entry in session.entries}
    staged = []
    for document in planned.documents:
        with open_regular(session.root, raw_paths[document.source]) as stream:
            staged.append(staging.add_file(document.path, stream, source_name=document.source))
    return tuple(staged)


def add_reports(
    report: Report,
    written: Sequence[WrittenFile],
    staging: Staging,
    name: str,
    number: int,
    predecessor: Predecessor | None,
    contents: Contents,
) -> tuple[StagedDocument, ...]:
    """Write the QC report in three forms and the delivery note."""
    inside = portable_report(report)
    note = delivery_note(
        inside,
        written,
        package_name=name,
        check_commands=check_commands(),
        delivery=number,
        predecessor=predecessor,
        is_songs_told=contents.is_songs_told,
    )
    texts = {
        "delivery-note.txt": note,
        "report/qc-report.txt": render_text(inside),
        "report/qc-report.json": render_json(inside),
        "report/qc-report.html": render_html(inside),
    }
    return tuple(staging.add_bytes(path, text.encode()) for path, text in texts.items())


def portable_report(report: Report) -> Report:
    """The report without anything that depends on where the drop lay: folder, zip name and root.

    Its title is the sheet's; a folder's name is no title, and the same drop copied to a folder
    of another name has to give the same package. Remarks on a spec name its file, so they stay out.
    """
    session = report.measured.session
    files = tuple(_without_place(file) for file in session.files)
    portable = replace(
        session,
        name=session_title(session) or UNNAMED,
        root="",
        archive=None,
        entries=tuple(replace(entry, archive=None) for entry in session.entries),
        files=files,
    )
    measured = replace(
        report.measured,
        session=portable,
        files=tuple(
            replace(measured, source=source)
            for measured, source in zip(report.measured.files, files, strict=True)
        ),
    )
    remarks = () if session.sheet is None else session.sheet.warnings
    return replace(report, measured=measured, package=THIS_FOLDER, notes=remarks)


def session_title(session: Session) -> str | None:
    """The title that a person gave and that names may show; None where there is none."""
    return None if session.sheet is None else session.sheet.open_title


def _without_place(source: SourceFile) -> SourceFile:
    return replace(source, entry=replace(source.entry, archive=None))


def package_content(
    report: Report,
    written: Sequence[WrittenFile],
    documents: Sequence[StagedDocument],
    *,
    name: str,
    number: int,
    date: str,
    predecessor: Predecessor | None,
    contents: Contents,
) -> PackageContent:
    """Everything the manifests and bag-info.txt tell; ``name`` as it may be told inside."""
    inside = portable_report(report)
    session = inside.measured.session
    assert report.plan is not None, "a package is made by a plan"
    return PackageContent(
        name=name,
        bagging_date=date,
        stemprep_version=report.stemprep_version,
        spec_name=report.spec_name,
        spec_title=report.spec_title,
        spec_sha256=report.spec_sha256,
        files=tuple(written),
        documents=tuple(documents),
        companions=report.plan.companions,
        left_out=report.plan.left_out,
        sheet=session.sheet,
        delivery=number,
        predecessor=predecessor,
        amendment=report.amendment,
        verdict=report.verdict,
        waived=report.waived,
        repaired=report.repaired,
        start_samples=report.plan.start_samples,
        references=report.plan.references,
        notes=report.plan.notes,
        made_with=made_with(),
        bag_info=_bag_info(report),
        readme=render_readme(
            inside,
            written,
            [document.path for document in documents if document.source is not None],
            package_name=name,
            check_commands=check_commands(),
        )
        if contents.is_readme
        else "",
    )


def _bag_info(report: Report) -> tuple[tuple[str, str], ...]:
    sheet = report.measured.session.sheet
    if sheet is None:
        return ()
    labels = (
        ("Contact-Name", sheet.engineer),
        ("External-Description", " - ".join(filter(None, (sheet.artist, sheet.open_title)))),
    )
    return tuple((label, value) for label, value in labels if value)
