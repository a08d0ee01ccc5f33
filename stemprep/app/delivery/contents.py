"""What a package is called and holds besides audio: order, documents, reports, note."""

from __future__ import annotations

import hashlib
import os
from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import UTC, datetime

from stemprep.app.check.inspection import Inspection
from stemprep.errors import UsageError
from stemprep.intake import open_regular
from stemprep.model.package import PackageContent, Predecessor, StagedDocument, WrittenFile
from stemprep.model.plan import Plan
from stemprep.model.report import Report
from stemprep.model.rule import Contents
from stemprep.model.session import Session, SourceFile
from stemprep.naming import portable_path
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


_HIDING = ".~-"  # would hide the package, name a home folder, or read as an option (``.-x``)


@dataclass(frozen=True, slots=True, kw_only=True)
class Order:
    """What a delivery takes besides drop and spec; nothing of it is read from the destination.

    name:        of the package's folder; without a title it comes from the drop's folder.
    name_inside: what the package calls itself; without a title it does not know.
    date:        YYYY-MM-DD for bag-info.txt, from SOURCE_DATE_EPOCH where that is set.
    """

    name: str
    name_inside: str
    number: int
    date: str
    predecessor: Predecessor | None = None


def order_of(inspection: Inspection, predecessor: Predecessor | None) -> Order:
    """The order of a delivery: the sheet's number, else the one after its predecessor's, else 1."""
    session = inspection.measured.session
    sheet = session.sheet
    number = 1 if predecessor is None else predecessor.number + 1
    if sheet is not None and sheet.delivery is not None:
        number = sheet.delivery
    title = session_title(session)
    is_unreleased = sheet is not None and sheet.is_unreleased
    unnamed = UNNAMED if is_unreleased else session.name  # a drop's folder often bears the title
    name = _package_name(title or unnamed, inspection.spec.name, number)
    return Order(
        name=name,
        name_inside=name if title else UNNAMED,
        number=number,
        date=_today(),
        predecessor=predecessor,
    )


def _package_name(title: str, spec_name: str, number: int) -> str:
    words = portable_path(title.replace("/", " ")).split()
    stem = "-".join(words).lstrip(_HIDING) or UNNAMED.replace(" ", "-")
    return f"{stem}_{spec_name}_{number:02d}"


def _today() -> str:
    """The date of bagging; SOURCE_DATE_EPOCH (seconds since 1970, UTC) makes it repeatable."""
    epoch = os.environ.get("SOURCE_DATE_EPOCH", "")
    try:
        moment = datetime.fromtimestamp(int(epoch), UTC) if epoch else datetime.now(UTC)
    except (ValueError, OverflowError, OSError) as error:
        raise UsageError(
            f"SOURCE_DATE_EPOCH is {epoch!r}: give whole seconds since 1970, or unset it"
        ) from error
    return moment.date().isoformat()


def job_name(inspection: Inspection, order: Order) -> str:
    """The same job has the same staging folder, so that a second run of it is noticed."""
    digest = hashlib.sha256(order.name.encode())
    for file in inspection.measured.files:
        digest.update(file.facts.sha256.encode())
    return digest.hexdigest()[:16]
