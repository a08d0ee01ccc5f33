"""The report as strict JSON by the published schema."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from typing import Annotated, Literal

from stemprep.model.facts import FileFacts, SetFacts
from stemprep.model.finding import Finding, Paths
from stemprep.model.json_document import JsonDocument, widened
from stemprep.model.plan import Plan
from stemprep.model.record_codec import Json, Schema, Written, encode_record
from stemprep.model.report import Report, SongVerdict
from stemprep.model.session import DropEntry, MeasuredFile, OtherKind, Session
from stemprep.model.value_types import Count, Sha256
from stemprep.model.words import Role, Verdict
from stemprep.report.causes import files_of

_DESCRIPTION = (
    "What one drop was found to be, judged against one spec. Samples are 0-based, ends exclusive, "
    "at the file's own rate; channels count from 1; paths are relative to the drop with '/'. "
    "Inside a zip 'file' and 'path' are the zip and 'entry' the inner name; set_facts and plan "
    "speak of inner names. An infinite figure is null and its is_..._infinite is true. Levels "
    "have 4 decimals, found and required 6, ratios 9."
)
Archives = Mapping[str, str | None]
"""Path in the drop -> the zip that it lies in; None: in none."""


@dataclass(frozen=True, slots=True, kw_only=True)
class _Spec:
    name: str
    title: str
    sha256: Sha256


@dataclass(frozen=True, slots=True, kw_only=True)
class _OtherEntry:
    path: str
    entry: str | None
    kind: OtherKind
    size_bytes: Count
    reason: str


@dataclass(frozen=True, slots=True, kw_only=True)
class _Session:
    name: str
    archive: str | None
    artist: str | None
    title: str | None
    delivery: int | None
    sheet_sha256: str | None
    songs: tuple[str, ...]
    other_entries: tuple[_OtherEntry, ...]
    unmatched: tuple[str, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class _File:
    """One audio file; sha256 is empty only where it could not be opened at all."""

    path: str
    entry: str | None
    sha256: Sha256 | Literal[""]
    audio_sha256: Sha256 | None
    role: Role
    role_evidence: str
    song: str
    facts: FileFacts


@dataclass(frozen=True, slots=True, kw_only=True)
class WrittenFinding(Finding):
    """A finding with what was dropped told from what lies in a zip of the drop."""

    entry: str | None
    entries: Paths
    against_entries: Paths


@dataclass(frozen=True, slots=True, kw_only=True)
class _Report:
    """What is not measured of the set is absent, so further fields may stand in set_facts."""

    stemprep_version: str
    spec: _Spec
    session: _Session
    verdict: Verdict
    songs: tuple[SongVerdict, ...]
    files: tuple[_File, ...]
    set_facts: Annotated[SetFacts, Written(is_open=True)]
    findings: tuple[WrittenFinding, ...]
    repaired: tuple[WrittenFinding, ...]
    plan: Plan | None
    package: str | None
    notes: tuple[str, ...]


_DOCUMENT = JsonDocument(
    kind="report",
    record=_Report,
    title="stemprep report",
    description=_DESCRIPTION,
    shared={"facts": FileFacts, "finding": WrittenFinding},
)


def report_schema() -> Schema:
    """Describe the report; every field is always there."""
    return _DOCUMENT.schema()


def render_json(report: Report) -> str:
    """Write the report as strict JSON text: the same report gives the same bytes."""
    return _DOCUMENT.text(_report(report))


def report_json(report: Report) -> Json:
    """Give the report as plain values; paths are relative to the drop, with ``/``.

    In a zip, ``file`` and ``path`` are the zip and ``entry`` the inner name; set facts and the
    plan speak of inner names alone.
    """
    return _DOCUMENT.values(_report(report))


def plan_json(plan: Plan) -> Json:
    """Give the plan as plain values, operations with their parameters."""
    return encode_record(plan)


def _report(report: Report) -> _Report:
    session = report.measured.session
    archives = {entry.path: entry.archive for entry in session.entries}
    return widened(
        _Report,
        report,
        spec=_Spec(name=report.spec_name, title=report.spec_title, sha256=report.spec_sha256),
        session=_session(session),
        files=tuple(map(_file, report.measured.files)),
        findings=tuple(written_finding(each, archives) for each in report.findings),
        repaired=tuple(written_finding(each, archives) for each in report.repaired),
    )


def _session(session: Session) -> _Session:
    sheet = session.sheet
    return _Session(
        name=session.name,
        archive=session.archive,
        artist=None if sheet is None else sheet.artist,
        title=None if sheet is None else sheet.title,
        delivery=None if sheet is None else sheet.delivery,
        sheet_sha256=None if sheet is None else sheet.sha256,
        songs=session.songs,
        other_entries=tuple(_other(each) for each in session.entries if each.kind != "audio"),
        unmatched=session.unmatched,
    )


def _other(entry: DropEntry) -> _OtherEntry:
    is_packed = entry.archive is not None
    return widened(
        _OtherEntry,
        entry,
        path=entry.archive if is_packed else entry.path,
        entry=entry.path if is_packed else None,
    )


def _file(file: MeasuredFile) -> _File:
    archive = file.source.entry.archive
    return _File(
        path=file.path if archive is None else archive,
        entry=None if archive is None else file.path,
        sha256=file.facts.sha256,
        audio_sha256=file.facts.audio_sha256,
        role=file.role,
        role_evidence=file.source.role_evidence,
        song=file.source.song,
        facts=file.facts,
    )


def written_finding(finding: Finding, archives: Archives | None = None) -> WrittenFinding:
    """Give a finding as it is written: what was dropped is the zip for an entry of one."""
    zips = archives or {}
    files = files_of(finding)
    return widened(
        WrittenFinding,
        finding,
        file=None if finding.file is None else zips.get(finding.file) or finding.file,
        entry=finding.file if finding.file is not None and zips.get(finding.file) else None,
        files=_unique(zips.get(path) or path for path in files),
        entries=tuple(path for path in files if zips.get(path)),
        against=_unique(zips.get(path) or path for path in finding.against),
        against_entries=_unique(path for path in finding.against if zips.get(path)),
    )


def _unique(paths: Iterable[str]) -> tuple[str, ...]:
    return tuple(dict.fromkeys(paths))
