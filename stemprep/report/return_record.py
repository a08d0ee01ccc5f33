"""What came back of a delivery, as JSON."""

from __future__ import annotations

from dataclasses import dataclass

from stemprep.model.json_document import JsonDocument, widened
from stemprep.model.reconciliation import (
    NewFile,
    OriginalFate,
    Reconciliation,
    RecordingOffset,
    Taken,
)
from stemprep.model.record_codec import Json, Schema
from stemprep.report.records import WrittenFinding, written_finding
from stemprep.report.return_steps import advice_of

_DESCRIPTION = (
    "What came back of a delivery. Samples are 0-based, ends exclusive. Regions count in samples "
    "of the original at its own rate, those of the kind 'padded' in samples of the returned file. "
    "A region with is_added_silence is missing, and was nothing but silence that the package had "
    "added; an original that has no other regions is the same sound, and its status says so. "
    "start_sample and late_samples of new files count on the session's timeline, from its common "
    "start, at the session's rate; a late file is positive. Paths of originals are relative to "
    "the package, all others to the return."
)


@dataclass(frozen=True, slots=True, kw_only=True)
class _NewFile(NewFile):
    advice: str


@dataclass(frozen=True, slots=True, kw_only=True)
class _Reconciliation:
    stemprep_version: str
    spec: str
    package: str
    delivery: int
    returned: str
    originals: tuple[OriginalFate, ...]
    new_files: tuple[_NewFile, ...]
    recording_offset: RecordingOffset | None
    given_back: tuple[str, ...]
    list_file: str
    listed_not_there: tuple[str, ...]
    findings: tuple[WrittenFinding, ...]
    repaired: tuple[WrittenFinding, ...]
    accepted: str | None
    taken: tuple[Taken, ...]
    notes: tuple[str, ...]


_DOCUMENT = JsonDocument(
    kind="reconciliation",
    record=_Reconciliation,
    title="stemprep reconciliation",
    description=_DESCRIPTION,
    shared={"finding": WrittenFinding},
)


def _record(result: Reconciliation) -> _Reconciliation:
    returned = result.returned
    return _Reconciliation(
        stemprep_version=result.stemprep_version,
        spec=result.spec_name,
        package=returned.package,
        delivery=returned.number,
        returned=returned.returned,
        originals=returned.originals,
        new_files=tuple(
            widened(_NewFile, file, advice=advice_of(file, result.findings))
            for file in returned.new_files
        ),
        recording_offset=returned.offset,
        given_back=returned.given_back,
        list_file=returned.list_file,
        listed_not_there=returned.not_there,
        findings=tuple(map(written_finding, result.findings)),
        repaired=tuple(map(written_finding, result.repaired)),
        accepted=result.accepted,
        taken=result.taken,
        notes=result.notes,
    )


def reconciliation_json(result: Reconciliation) -> Json:
    """Give all of it as plain values for strict JSON; samples as the records say."""
    return _DOCUMENT.values(_record(result))


def render_reconciliation_json(result: Reconciliation) -> str:
    """Write all of it as strict JSON text."""
    return _DOCUMENT.text(_record(result))


def reconciliation_schema() -> Schema:
    """Describe the record; every field is always there."""
    return _DOCUMENT.schema()
