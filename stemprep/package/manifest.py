"""manifest.json and manifest.csv: where each file came from, what was done, what came out."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, fields
from importlib import metadata
from itertools import zip_longest
from typing import Annotated, Any, Literal

from stemprep.model.csv_table import csv_table
from stemprep.model.definition import TextForm
from stemprep.model.facts import FileFacts
from stemprep.model.finding import Finding
from stemprep.model.package import (
    Amendment,
    PackageContent,
    Predecessor,
    SecondReading,
    WrittenFile,
)
from stemprep.model.plan import Companion, LeftOut, Operation, StartReference
from stemprep.model.record_codec import FLAGGED, Json, Schema, encode_record, record_schema
from stemprep.model.sheet import SessionSheet
from stemprep.model.strict_json import dumps
from stemprep.model.value_types import Sha256
from stemprep.model.words import Role, Severity, Verdict
from stemprep.package.payload_path import PAYLOAD, sort_key

MANIFEST_VERSION: Literal[1] = 1

_LIBRARIES_THAT_SHAPE_BYTES = ("numpy", "pedalboard", "pyloudnorm", "soundfile", "soxr")
_Sha512 = Annotated[str, TextForm("128 digits 0-9 a-f", pattern="[0-9a-f]{128}")]
_PayloadPath = Annotated[str, TextForm("a path below data/", pattern=f"{PAYLOAD}/.*")]


@dataclass(frozen=True, slots=True, kw_only=True)
class _Spec:
    name: str
    title: str
    sha256: str


@dataclass(frozen=True, slots=True, kw_only=True)
class _Delivery:
    name: str
    number: int
    tag_manifest_sha256: Sha256


@dataclass(frozen=True, slots=True, kw_only=True)
class _Package:
    name: str
    delivery: int
    verdict: Verdict
    predecessor: _Delivery | None
    history: tuple[_Delivery, ...]
    amends: Amendment | None


@dataclass(frozen=True, slots=True, kw_only=True)
class _Source:
    path: str | None
    sha256: str | None
    audio_sha256: Sha256 | None
    facts: FileFacts | None


@dataclass(frozen=True, slots=True, kw_only=True)
class _File:
    path: _PayloadPath
    role: Role
    song: str
    made_by_us: bool
    is_damaged: bool
    sources: tuple[_Source, ...]
    source_channels: tuple[int, ...]
    operations: tuple[Operation, ...]
    track_names: tuple[str, ...]
    kept_chunks: tuple[str, ...]
    dropped_chunks: tuple[str, ...]
    sha256: Sha256
    sha512: _Sha512
    audio_sha256: Sha256 | None
    size_bytes: int
    facts: FileFacts
    second_reading: SecondReading | None


@dataclass(frozen=True, slots=True, kw_only=True)
class _Document:
    path: _PayloadPath
    source: str
    sha256: Sha256
    sha512: _Sha512
    size_bytes: int


@dataclass(frozen=True, slots=True, kw_only=True)
class _Finding:
    """What is kept of a finding that was waived or repaired."""

    check: str
    severity: Severity
    file: str | None
    files: tuple[str, ...]
    song: str | None
    found: Annotated[float | int | str | None, FLAGGED]
    required: Annotated[float | int | str | None, FLAGGED]
    unit: str
    message: str


@dataclass(frozen=True, slots=True, kw_only=True)
class _Waiver(_Finding):
    """A signed exception, tied to the audio it was signed for, so that a re-export asks again."""

    waived_by: str | None
    reason: str | None
    audio_sha256: Sha256 | None


@dataclass(frozen=True, slots=True, kw_only=True)
class _Manifest:
    """manifest.json; every field is always there."""

    manifest_version: Literal[1]
    stemprep_version: str
    made_with: Mapping[str, str]
    package: _Package
    spec: _Spec
    sheet: SessionSheet | None
    start_samples: Mapping[str, int | None]
    start_references: Mapping[str, StartReference]
    files: tuple[_File, ...]
    documents: tuple[_Document, ...]
    companions: tuple[Companion, ...]
    left_out: tuple[LeftOut, ...]
    waivers: tuple[_Waiver, ...]
    repaired: tuple[_Finding, ...]
    notes: tuple[str, ...]


def made_with() -> dict[str, str]:
    """Versions of the libraries that may change bytes of a package."""
    return {name: metadata.version(name) for name in _LIBRARIES_THAT_SHAPE_BYTES}


def manifest_schema() -> Schema:
    """Describe manifest.json (JSON Schema, draft 2020-12)."""
    about = {
        "$schema": "https://json-schema.org/draft/2020-12/schema",
        "title": "stemprep package manifest",
    }
    return record_schema(_Manifest) | about


def manifest_json(content: PackageContent) -> str:
    """Write the manifest as strict JSON, paths relative to the package, files in path order.

    Same content, same text. The bagging date is not in it.
    """
    before = content.predecessor
    return dumps(
        encode_record(
            _Manifest(
                manifest_version=MANIFEST_VERSION,
                stemprep_version=content.stemprep_version,
                made_with=content.made_with,
                package=_Package(
                    name=content.name,
                    delivery=content.delivery,
                    verdict=content.verdict,
                    predecessor=None if before is None else _delivery(before),
                    history=() if before is None else tuple(map(_delivery, before.history)),
                    amends=content.amendment,
                ),
                spec=_Spec(
                    name=content.spec_name, title=content.spec_title, sha256=content.spec_sha256
                ),
                sheet=content.sheet,
                start_samples=content.start_samples,
                start_references=content.references,
                files=tuple(_file(file) for file in _in_order(content.files)),
                documents=_documents(content),
                companions=content.companions,
                left_out=content.left_out,
                waivers=tuple(_waiver(finding, content) for finding in content.waived),
                repaired=tuple(_Finding(**_kept(finding)) for finding in content.repaired),
                notes=content.notes,
            )
        )
    )


def _delivery(delivery: Predecessor) -> _Delivery:
    return _Delivery(
        name=delivery.name,
        number=delivery.number,
        tag_manifest_sha256=delivery.tag_manifest_sha256,
    )


def _in_order(files: Iterable[WrittenFile]) -> list[WrittenFile]:
    return sorted(files, key=lambda file: sort_key(file.plan.path))


def _file(file: WrittenFile) -> _File:
    plan = file.plan
    return _File(
        path=f"{PAYLOAD}/{plan.path}",
        role=plan.role,
        song=plan.song,
        made_by_us=file.made_by_us,
        is_damaged=plan.is_damaged,
        sources=tuple(
            _source(path, facts) for path, facts in zip_longest(plan.sources, file.before)
        ),
        source_channels=plan.source_channels,
        operations=plan.operations,
        track_names=plan.track_names,
        kept_chunks=plan.kept_chunks,
        dropped_chunks=plan.dropped_chunks,
        sha256=file.sha256,
        sha512=file.sha512,
        audio_sha256=file.after.audio_sha256,
        size_bytes=file.size_bytes,
        facts=file.after,
        second_reading=file.second_reading,
    )


def _source(path: str | None, facts: FileFacts | None) -> _Source:
    return _Source(
        path=path,
        sha256=None if facts is None else facts.sha256,
        audio_sha256=None if facts is None else facts.audio_sha256,
        facts=facts,
    )


def _documents(content: PackageContent) -> tuple[_Document, ...]:
    return tuple(
        _Document(
            path=f"{PAYLOAD}/{document.path}",
            source=document.source,
            sha256=document.sha256,
            sha512=document.sha512,
            size_bytes=document.size_bytes,
        )
        for document in sorted(content.documents, key=lambda document: sort_key(document.path))
        if document.source is not None  # our own reports may change without the package changing
    )


def _kept(finding: Finding) -> dict[str, Any]:
    return {each.name: getattr(finding, each.name) for each in fields(_Finding)}


def _waiver(finding: Finding, content: PackageContent) -> _Waiver:
    hashes = {
        path: facts.audio_sha256
        for file in content.files
        for path, facts in zip(file.plan.sources, file.before, strict=False)
    }
    return _Waiver(
        **_kept(finding),
        waived_by=finding.waived_by,
        reason=finding.waiver_reason,
        audio_sha256=hashes.get(finding.file or ""),
    )


_COLUMNS = (
    "path", "sources", "role", "song", "made_by_us", "operations", "container", "encoding",
    "sample_rate_hz", "bit_depth", "channels", "frames", "time_reference_samples",
    "sample_peak_dbfs", "true_peak_dbtp", "loudness_lufs", "loudness_range_lu",
    "max_short_term_lufs", "peak_to_loudness_lu", "waived", "source_sha256",
    "source_audio_sha256", "sha256", "sha512", "audio_sha256", "size_bytes",
)  # fmt: skip
_FACT_COLUMNS = frozenset(_COLUMNS[6:18])


def manifest_csv(content: PackageContent) -> str:
    """Write one row a file (RFC 4180, CRLF), lists joined by `` | ``, digital silence as ``-inf``.

    Text that a spreadsheet would take for a formula is led by an apostrophe.
    """
    rows = (_row(file, content) for file in _in_order(content.files))
    return csv_table(_COLUMNS, ([row[column] for column in _COLUMNS] for row in rows))


def _row(file: WrittenFile, content: PackageContent) -> Json:
    entry = encode_record(_file(file))
    waived = [item.check for item in content.waived if item.file in file.plan.sources]
    return {
        **entry,
        **{name: _figure(entry["facts"], name) for name in _FACT_COLUMNS},
        "peak_to_loudness_lu": _peak_to_loudness_lu(file.after),
        "made_by_us": "yes" if file.made_by_us else "no",
        "sources": " | ".join(file.plan.sources),
        "operations": " | ".join(step.name for step in file.plan.operations),
        "waived": " | ".join(waived),
        "source_sha256": " | ".join(facts.sha256 for facts in file.before),
        "source_audio_sha256": " | ".join(facts.audio_sha256 or "" for facts in file.before),
    }


def _peak_to_loudness_lu(facts: FileFacts) -> float | None:
    """True peak over loudness (common practice, no source); None where one is not known."""
    sound = facts.sound
    if sound is None or sound.loudness.loudness_lufs is None:
        return None
    return round(sound.level.true_peak_dbtp - sound.loudness.loudness_lufs, 2)


def _figure(facts: Json, name: str) -> str | int | float | None:
    value: str | int | float | None = facts[name]
    return -float("inf") if value is None and facts.get(f"is_{name}_infinite") else value
