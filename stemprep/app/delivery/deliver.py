"""Deliver a drop: check, plan, write, measure again, judge again, package, prove, publish."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

from stemprep.app.check.blocking import remaining_findings, standing_findings, verdicts
from stemprep.app.check.inspect import OnProgress, no_progress
from stemprep.app.companions import Handover, make_companions
from stemprep.app.corrections.correction import Correction
from stemprep.app.delivery.contents import (
    Order,
    add_documents,
    add_reports,
    job_name,
    order_of,
    package_content,
)
from stemprep.app.delivery.destinations import (
    Destination,
    ask,
    built_at,
    copied,
    refuse_destinations,
)
from stemprep.app.delivery.prepare import Prepared, prepared_drop
from stemprep.app.delivery.rejudge import judge_outputs, named_by_source
from stemprep.app.packages.open_package import read_predecessor
from stemprep.app.write_outputs import write_outputs
from stemprep.engine import Engine, ProcessEngine
from stemprep.model.finding import Finding
from stemprep.model.package import Copy, PackageForm, Published, Receipt
from stemprep.model.report import Report
from stemprep.package import OpenFolder, open_staging, publish, seal


def _own_order(prepared: Prepared) -> Order:
    return order_of(prepared.inspection, prepared.predecessor)


def _publish_at_once(report: Report, order: Order, tag_manifest_sha256: str) -> None:
    """Nothing has to be written down first."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Terms:
    """What the service decides about a delivery; the command line leaves all of it as it is.

    job:   names the staging folders; "": told from the content.
    order: names, numbers and dates the delivery; called once nothing stands against it.
    before_publishing: called with report, order and the sealed package's tag manifest sha256
           before anybody can see the package. What it raises ends the delivery.
    open_folder: opens a destination; None: whatever its name leads to, made where it is missing.
    """

    job: str = ""
    order: Callable[[Prepared], Order] = _own_order
    before_publishing: Callable[[Report, Order, str], None] = _publish_at_once
    open_folder: OpenFolder | None = None


COMMAND_LINE = Terms()


def plan(
    drop: Path,
    spec_name: str | Path,
    *,
    correction: Correction | None = None,
    engine: Engine | None = None,
    on_progress: OnProgress = no_progress,
) -> Report:
    """The report with the plan of a delivery that is not carried out."""
    with prepared_drop(
        drop, spec_name, correction=correction, engine=engine, on_progress=on_progress
    ) as prepared:
        return _expected(prepared)


def stopping(report: Report) -> tuple[Finding, ...]:
    """The findings that stop a planned delivery."""
    return tuple(
        finding for finding in report.findings if finding.severity == "fail" and finding.counts
    )


def deliver(
    drop: Path,
    spec_name: str | Path,
    destinations: Sequence[Destination],
    *,
    after: Path | None = None,
    correction: Correction | None = None,
    form: PackageForm = "folder",
    engine: Engine | None = None,
    on_progress: OnProgress = no_progress,
) -> Report:
    """Publish a verified package of the drop in every destination.

    destinations: folders and places in stores; each copy is read back whole.
    correction: the drop holds only corrected files; the rest comes from the package it names.
    form: what lies in a destination, a package's folder or one zip of it.
    The report's ``package`` is None, and nothing was published, when a finding stops it.
    Raises DeliveryError when the package cannot be made or proved, and what ``inspected`` raises.
    """
    refuse_destinations(destinations, drop, None if correction is None else correction.package)
    predecessor = None if after is None else read_predecessor(after)
    with prepared_drop(
        drop, spec_name, correction=correction, engine=engine, on_progress=on_progress
    ) as prepared:
        followed = replace(prepared, predecessor=prepared.predecessor or predecessor)
        return deliver_prepared(
            followed, destinations, form=form, engine=engine, on_progress=on_progress
        )


def deliver_prepared(
    prepared: Prepared,
    destinations: Sequence[Destination],
    *,
    terms: Terms = COMMAND_LINE,
    form: PackageForm = "folder",
    engine: Engine | None = None,
    on_progress: OnProgress = no_progress,
) -> Report:
    """Publish a verified package of what was prepared in every destination; see ``deliver``."""
    expected = _expected(prepared)
    if not expected.passed:
        return expected
    order = terms.order(prepared)
    known = ask(destinations, prepared.planned, prepared.inspection.measured, order.name, form)
    with built_at(destinations, form, terms.job or job_name(prepared.inspection, order)) as home:
        report, published = _make_package(prepared, order, home, terms, engine, on_progress)
        if published is None:
            return report
        copies = copied(
            published, home, destinations, form, terms.job or order.name, on_progress,
            terms.open_folder,
        )  # fmt: skip
    return replace(
        report,
        package=copies[0].place,
        is_package_known=copies[0].already_there,
        receipt=Receipt(package=order.name, delivery=order.number, copies=tuple(copies)),
        notes=(*report.notes, *_notes(copies[0]), *known),
    )


def _make_package(
    prepared: Prepared,
    order: Order,
    destination: Path,
    terms: Terms,
    engine: Engine | None,
    on_progress: OnProgress,
) -> tuple[Report, Published | None]:
    """Write, judge what was written, and publish; no package when a finding stands against it."""
    inspection, planned = prepared.inspection, prepared.planned
    job = terms.job or job_name(inspection, order)
    with open_staging(destination, job, terms.open_folder) as staging:
        written = write_outputs(inspection, planned, staging, engine, on_progress)
        after = judge_outputs(inspection, planned, written, engine)
        remaining, repaired = remaining_findings(
            inspection, planned, named_by_source(after.findings, written)
        )
        report = replace(_report(prepared, remaining, repaired), delivered=after)
        if not report.passed:
            return report, None
        documents = add_documents(inspection, planned, staging)
        made_sounds, made_documents = make_companions(
            Handover(
                inspection=inspection,
                planned=planned,
                report=report,
                written=written,
                staging=staging,
                engine=engine or ProcessEngine(),
                name=order.name_inside,
                number=order.number,
                predecessor=order.predecessor,
            )
        )
        written = (*written, *made_sounds)
        reports = add_reports(
            report,
            written,
            staging,
            order.name_inside,
            order.number,
            order.predecessor,
            inspection.spec.contents,
        )
        content = package_content(
            report,
            written,
            (*documents, *made_documents, *reports),
            name=order.name_inside,
            number=order.number,
            date=order.date,
            predecessor=order.predecessor,
            contents=inspection.spec.contents,
        )
        tag_manifest_sha256 = seal(staging, content)
        terms.before_publishing(report, order, tag_manifest_sha256)
        return report, publish(staging, destination, order.name)


def _expected(prepared: Prepared) -> Report:
    """The report of what would be delivered, with what stands against it."""
    standing = standing_findings(prepared.inspection, prepared.planned)
    return _report(prepared, standing, ())


def _report(prepared: Prepared, findings: Sequence[Finding], repaired: Sequence[Finding]) -> Report:
    verdict, songs = verdicts(prepared.inspection, findings)
    return replace(
        prepared.inspection.report,
        plan=prepared.planned,
        findings=tuple(findings),
        repaired=tuple(repaired),
        verdict=verdict,
        songs=songs,
        amendment=prepared.amendment,
    )


def _notes(first: Copy) -> tuple[str, ...]:
    """What lay there before."""
    if not first.already_there:
        return ()
    return ("already delivered: the same package, byte for byte, lay there",)
