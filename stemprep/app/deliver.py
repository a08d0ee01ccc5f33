"""Deliver a drop: check, plan, write, measure again, judge again, package, prove, publish."""

from __future__ import annotations

import hashlib
import os
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, replace
from datetime import UTC, datetime
from pathlib import Path

from stemprep.app.after import judge_outputs
from stemprep.app.companions import Handover, make_companions, with_companions
from stemprep.app.contents import (
    UNNAMED,
    add_documents,
    add_reports,
    package_content,
    session_title,
)
from stemprep.app.inspect import Inspection, OnProgress, inspected, no_progress
from stemprep.app.places import refuse_destination
from stemprep.app.predecessor import read_predecessor
from stemprep.app.standing import remaining_findings, standing_findings, verdicts
from stemprep.app.writing import write_outputs
from stemprep.containers import dropped_metadata
from stemprep.engine import Engine, ProcessEngine
from stemprep.errors import DeliveryError, UsageError
from stemprep.model.finding import Finding
from stemprep.model.package import Predecessor, Published
from stemprep.model.plan import Plan
from stemprep.model.report import Report
from stemprep.naming import portable_path
from stemprep.package import open_staging, publish, replicate, seal, verify_package
from stemprep.prepare import plan_delivery

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


def plan(
    drop: Path,
    spec_name: str | Path,
    *,
    engine: Engine | None = None,
    on_progress: OnProgress = no_progress,
) -> Report:
    """The report with the plan of a delivery that is not carried out."""
    with _planned(drop, spec_name, engine, on_progress) as (inspection, planned):
        return _report(inspection, planned, standing_findings(inspection, planned), ())


def stopping(report: Report) -> tuple[Finding, ...]:
    """The findings that stop a planned delivery."""
    return tuple(
        finding for finding in report.findings if finding.severity == "fail" and finding.counts
    )


def deliver(
    drop: Path,
    spec_name: str | Path,
    destinations: Sequence[Path],
    *,
    after: Path | None = None,
    engine: Engine | None = None,
    on_progress: OnProgress = no_progress,
) -> Report:
    """Publish a verified package of the drop in every destination.

    The report's ``package`` is None, and nothing was published, when a finding stops it.
    Raises DeliveryError when the package cannot be made or proved, and what ``inspected`` raises.
    """
    for destination in destinations:
        refuse_destination(destination, drop)
    predecessor = None if after is None else read_predecessor(after)
    with _planned(drop, spec_name, engine, on_progress) as (inspection, planned):
        expected = _report(inspection, planned, standing_findings(inspection, planned), ())
        if not expected.passed:
            return expected
        order = _order(inspection, predecessor)
        report, published = _make_package(
            inspection, planned, order, destinations[0], engine, on_progress
        )
        if published is None:
            return report
        copies = [replicate(Path(published.path), place, order.name) for place in destinations[1:]]
        for package in (published, *copies):
            _prove(package)
        return replace(
            report,
            package=published.path,
            is_package_known=published.already_there,
            notes=report.notes + _notes(published, copies),
        )


@contextmanager
def _planned(
    drop: Path, spec_name: str | Path, engine: Engine | None, on_progress: OnProgress
) -> Iterator[tuple[Inspection, Plan]]:
    with inspected(drop, spec_name, engine=engine, on_progress=on_progress) as inspection:
        judgement = inspection.judgement
        planned = plan_delivery(
            inspection.measured, judgement.set_facts, judgement.findings, inspection.spec
        )
        yield inspection, with_companions(_with_dropped_metadata(planned, inspection), inspection)


def _with_dropped_metadata(planned: Plan, inspection: Inspection) -> Plan:
    """The plan with every metadata chunk named that a written file will not carry."""
    headers = {file.path: file.facts.header for file in inspection.measured.files}
    outputs = tuple(
        output
        if output.is_copy
        else replace(output, dropped_chunks=dropped_metadata(headers[output.sources[0]], output))
        for output in planned.outputs
    )
    return replace(planned, outputs=outputs)


def _make_package(
    inspection: Inspection,
    planned: Plan,
    order: Order,
    destination: Path,
    engine: Engine | None,
    on_progress: OnProgress,
) -> tuple[Report, Published | None]:
    """Write, judge what was written, and publish; no package when a finding stands against it."""
    with open_staging(destination, _job_name(inspection, order)) as staging:
        written = write_outputs(inspection, planned, staging, engine, on_progress)
        after = judge_outputs(inspection, written, engine)
        remaining, repaired = remaining_findings(inspection, planned, after)
        report = _report(inspection, planned, remaining, repaired)
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
        seal(staging, content)
        return report, publish(staging, destination, order.name)


def _prove(package: Published) -> None:
    """What was published is read back whole once more, from its final place."""
    proof = verify_package(Path(package.path))
    if not (proof.is_whole and proof.is_complete):
        first = proof.damages[0].message if proof.damages else "it is incomplete"
        raise DeliveryError(
            f"{package.path}: published, but reading it back failed: {first}; "
            "check that disk and deliver again elsewhere"
        )


def _report(
    inspection: Inspection,
    planned: Plan,
    findings: Sequence[Finding],
    repaired: Sequence[Finding],
) -> Report:
    verdict, songs = verdicts(inspection, findings)
    return replace(
        inspection.report,
        plan=planned,
        findings=tuple(findings),
        repaired=tuple(repaired),
        verdict=verdict,
        songs=songs,
    )


def _order(inspection: Inspection, predecessor: Predecessor | None) -> Order:
    session = inspection.measured.session
    sheet = session.sheet
    number = 1 if predecessor is None else predecessor.number + 1
    if sheet is not None and sheet.delivery is not None:
        number = sheet.delivery
    title = session_title(session)
    name = _package_name(title or session.name, inspection.spec.name, number)
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


def _job_name(inspection: Inspection, order: Order) -> str:
    """The same job has the same staging folder, so that a second run of it is noticed."""
    digest = hashlib.sha256(order.name.encode())
    for file in inspection.measured.files:
        digest.update(file.facts.sha256.encode())
    return digest.hexdigest()[:16]


def _notes(published: Published, copies: Sequence[Published]) -> tuple[str, ...]:
    """What lay there before, and where the other copies lie."""
    notes = [
        f"second copy{', already delivered' if copy.already_there else ''}: {copy.path}"
        for copy in copies
    ]
    if published.already_there:
        notes.insert(0, "already delivered: the same package, byte for byte, lay there")
    return tuple(notes)
