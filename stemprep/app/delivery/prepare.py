"""A delivery before anything is written: what was dropped, judged, and planned."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, replace
from pathlib import Path

from stemprep.app.check.inspect import Admit, OnProgress, admit_all, inspected, no_progress
from stemprep.app.check.inspection import Inspection
from stemprep.app.companions import with_companions
from stemprep.app.corrections.carried_files import with_carried
from stemprep.app.corrections.correction import Correction, merged_with_corrections
from stemprep.app.corrections.merged_set import MergedSet, inspect_merged
from stemprep.app.corrections.package_bars import placed_in_package
from stemprep.containers import dropped_metadata
from stemprep.engine import Engine
from stemprep.model.finding import Finding
from stemprep.model.package import Amendment, Predecessor
from stemprep.model.plan import Plan
from stemprep.prepare import plan_delivery
from stemprep.spec import load_spec


@dataclass(frozen=True, slots=True, kw_only=True)
class Prepared:
    """What is delivered, and how.

    predecessor: the delivery that this one follows; amendment: what it corrects there.
    """

    inspection: Inspection
    planned: Plan
    predecessor: Predecessor | None = None
    amendment: Amendment | None = None


@contextmanager
def prepared_drop(
    drop: Path,
    spec_name: str | Path,
    *,
    correction: Correction | None = None,
    engine: Engine | None = None,
    on_progress: OnProgress = no_progress,
    unpack_into: Path | None = None,
    admit: Admit = admit_all,
    is_link_followed: bool = True,
) -> Iterator[Prepared]:
    """Check and plan a drop, or the package that it corrects with its files in their places.

    unpack_into, admit, is_link_followed: see ``inspected``; not used where a package is corrected.
    """
    if correction is None:
        with inspected(
            drop,
            spec_name,
            engine=engine,
            on_progress=on_progress,
            unpack_into=unpack_into,
            admit=admit,
            is_link_followed=is_link_followed,
        ) as inspection:
            yield Prepared(inspection=inspection, planned=planned(inspection))
        return
    spec = load_spec(spec_name)
    with merged_with_corrections(drop, correction.package) as merged:
        inspection = inspect_merged(merged, spec, engine=engine, on_progress=on_progress)
        yield prepared_merged(inspection, merged, correction.reason)


def prepared_merged(
    inspection: Inspection,
    merged: MergedSet,
    reason: str | None = None,
    *,
    is_return: bool = False,
) -> Prepared:
    """Plan a merged set that was judged; ``reason`` goes before what the sheet says.

    is_return: what joins was sent back by another room, and corrects nothing.
    """
    plan = planned(inspection, merged)
    sheet = merged.session.sheet
    said = None if sheet is None else sheet.correction
    return Prepared(
        inspection=inspection,
        planned=plan,
        predecessor=merged.package.identity,
        amendment=replace(
            _amendment(inspection, plan, merged, reason or said or ""), is_return=is_return
        ),
    )


def planned(inspection: Inspection, merged: MergedSet | None = None) -> Plan:
    """The plan of a judged set; what it carries from a package stays as it is."""
    judgement = inspection.judgement
    measured, spec = inspection.measured, inspection.spec
    obstacles: tuple[Finding, ...] = ()
    if merged is not None:  # its start is decided: what it carries is not moved
        measured, obstacles = placed_in_package(measured, merged)
        spec = replace(spec, operations=replace(spec.operations, is_start_at_bar_1=False))
    plan = plan_delivery(measured, judgement.set_facts, judgement.findings, spec)
    if merged is not None:
        plan = with_carried(plan, inspection.measured, merged)
        plan = replace(plan, blockers=(*plan.blockers, *obstacles))
    return with_companions(_with_dropped_metadata(plan, inspection), inspection)


def _with_dropped_metadata(plan: Plan, inspection: Inspection) -> Plan:
    """The plan with every metadata chunk named that a written file will not carry."""
    headers = {file.path: file.facts.header for file in inspection.measured.files}
    outputs = tuple(
        output
        if output.is_copy
        else replace(output, dropped_chunks=dropped_metadata(headers[output.sources[0]], output))
        for output in plan.outputs
    )
    return replace(plan, outputs=outputs)


def _amendment(inspection: Inspection, plan: Plan, merged: MergedSet, reason: str) -> Amendment:
    """What became of the files that joined, and which of the package's no longer travel.

    What was dropped again as it was dropped before, or as it was delivered, replaces nothing.
    """
    manifest = merged.package.manifest
    documents = {document.source for document in manifest.documents}
    same = _dropped_again(inspection, merged)
    replaced: set[str] = set()
    added: set[str] = set()
    for output in plan.outputs:
        for path in (merged.joined.keys() & output.sources) - same:
            (replaced if merged.joined[path].replaces else added).add(output.path)
    for document in plan.documents:
        if document.source in merged.joined:
            (replaced if document.source in documents else added).add(document.path)
    travelling = {path for output in plan.outputs for path in output.sources}
    home = (file.path for name, file in merged.carried.items() if name not in travelling)
    return Amendment(
        package=merged.package.identity.name,
        reason=reason,
        replaced=tuple(sorted(replaced)),
        added=tuple(sorted(added)),
        left_out=tuple(sorted(home)),
    )


def _dropped_again(inspection: Inspection, merged: MergedSet) -> frozenset[str]:
    """Names of joined files that have the bytes of a file they replace, or of its source."""
    by_path = {file.path: file for file in merged.package.manifest.files}
    found = set()
    for file in inspection.measured.files:
        joining = merged.joined.get(file.path)
        before = [by_path[path] for path in joining.replaces if path in by_path] if joining else []
        known = {source.sha256 for each in before for source in each.sources}
        if file.facts.sha256 in known | {each.sha256 for each in before}:
            found.add(file.path)
    return frozenset(found)
